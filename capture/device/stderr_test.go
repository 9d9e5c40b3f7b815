//go:build cgo && !nodevices && linux

package device

import (
	"os"
	"syscall"
	"testing"
)

// redirectStderr points file descriptor 2, where C writes, at a file.
func redirectStderr(t *testing.T, f *os.File) (restore func()) {
	t.Helper()
	was, err := syscall.Dup(2)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Dup3(int(f.Fd()), 2, 0); err != nil {
		t.Fatal(err)
	}
	return func() {
		_ = syscall.Dup3(was, 2, 0) // was valid a moment ago
		_ = syscall.Close(was)
	}
}
