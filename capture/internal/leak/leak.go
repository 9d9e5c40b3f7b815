// Package leak fails a package's tests when they leave goroutines behind.
package leak

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"
)

// Main runs the tests and exits; call it from TestMain.
func Main(m *testing.M) {
	code := m.Run()
	// What was told to end may still be on its way out.
	for end := time.Now().Add(5 * time.Second); len(ours()) > 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	if left := ours(); len(left) > 0 && code == 0 {
		fmt.Fprintf(os.Stderr, "%d goroutines left behind:\n%s\n", len(left), strings.Join(left, "\n\n"))
		code = 1
	}
	os.Exit(code)
}

// ours are the stacks of goroutines that run or were started by this module's
// code, without the one that asks.
func ours() (stacks []string) {
	buf := make([]byte, 1<<20)
	all := string(buf[:runtime.Stack(buf, true)])
	for s := range strings.SplitSeq(all, "\n\n") {
		if strings.Contains(s, "plumbline/") && !strings.Contains(s, "leak.Main") {
			stacks = append(stacks, s)
		}
	}
	return stacks
}
