// Package leak fails a package's tests when they leave goroutines of this
// module behind.
package leak

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"
)

// patience is how long goroutines that were told to end may take.
const patience = 5 * time.Second

// Main runs the tests, then cleanup, and exits. Call it from TestMain.
func Main(m *testing.M, cleanup ...func()) {
	code := m.Run()
	for _, f := range cleanup {
		f()
	}
	left := leftover()
	for end := time.Now().Add(patience); len(left) > 0 && time.Now().Before(end); left = leftover() {
		runtime.Gosched()
	}
	if len(left) > 0 && code == 0 {
		fmt.Fprintf(os.Stderr, "%d goroutines left behind:\n%s\n", len(left), strings.Join(left, "\n\n"))
		code = 1
	}
	os.Exit(code)
}

// leftover are the stacks with code of this module in them, but the caller's.
func leftover() (stacks []string) {
	buf := make([]byte, 1<<20)
	for s := range strings.SplitSeq(string(buf[:runtime.Stack(buf, true)]), "\n\n") {
		if strings.Contains(s, "plumbline/") && !strings.Contains(s, "leak.Main") {
			stacks = append(stacks, s)
		}
	}
	return stacks
}
