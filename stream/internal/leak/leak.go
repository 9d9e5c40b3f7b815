// Package leak finds goroutines that outlive the tests of a package.
package leak

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"
)

// Main runs the tests and returns the exit code: 1 also when a goroutine is
// left behind three seconds after them.
func Main(m *testing.M) int {
	code := m.Run()
	if code != 0 {
		return code
	}
	for end := time.Now().Add(3 * time.Second); ; runtime.Gosched() {
		left := others()
		if left == "" {
			return 0
		}
		if time.Now().After(end) {
			fmt.Fprintf(os.Stderr, "goroutines left behind:\n%s\n", left)
			return 1
		}
	}
}

// others are the stacks of all goroutines but this one and the runtime's own
// for signals, which fuzzing starts.
func others() string {
	buf := make([]byte, 1<<20)
	stacks := strings.Split(string(buf[:runtime.Stack(buf, true)]), "\n\n")
	var left []string
	for _, s := range stacks[1:] {
		if !strings.Contains(s, "os/signal.loop") {
			left = append(left, s)
		}
	}
	return strings.Join(left, "\n\n")
}
