//go:build linux || darwin

package recorder

import "syscall"

// free is how much of the disk of a folder is left to this user.
func free(dir string) (bytes int64, known bool) {
	var s syscall.Statfs_t
	if syscall.Statfs(dir, &s) != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true
}
