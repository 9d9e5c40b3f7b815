//go:build unix

package wavfile

import (
	"path/filepath"
	"syscall"
	"testing"
)

// Opening a pipe must not wait for somebody to write to it.
func TestPipeIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.wav")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Skip("no pipe here:", err)
	}
	_, err := Open(path)
	oneLine(t, err, "is not a file on disk")
}
