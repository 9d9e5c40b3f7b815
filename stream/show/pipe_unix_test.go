//go:build unix

package show

import "syscall"

func makePipe(path string) error { return syscall.Mkfifo(path, 0o600) }
