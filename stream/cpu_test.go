//go:build unix

package stream

import (
	"syscall"
	"testing"
	"time"
)

// cpuTime is what this process has used, user and system.
func cpuTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
