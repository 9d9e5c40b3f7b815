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

// How long goroutines that were told to end may take.
const (
	patience       = 5 * time.Second
	strictPatience = 3 * time.Second
)

// Main runs the tests, then cleanup, and exits: with an error also when a
// goroutine with code of this module in its stack is left. Call it from TestMain.
func Main(m *testing.M, cleanup ...func()) {
	code := m.Run()
	for _, f := range cleanup {
		f()
	}
	os.Exit(judge(code, patience, func(stack string) bool { return strings.Contains(stack, "plumbline/") }))
}

// Strict is Main for packages whose libraries must leave nothing behind either.
func Strict(m *testing.M) {
	// Fuzzing starts the runtime's own goroutine for signals.
	os.Exit(judge(m.Run(), strictPatience, func(stack string) bool { return !strings.Contains(stack, "os/signal.loop") }))
}

func judge(code int, patience time.Duration, counts func(stack string) bool) int {
	left := leftover(counts)
	for end := time.Now().Add(patience); len(left) > 0 && time.Now().Before(end); left = leftover(counts) {
		time.Sleep(time.Millisecond)
	}
	if len(left) > 0 && code == 0 {
		fmt.Fprintf(os.Stderr, "%d goroutines left behind:\n%s\n", len(left), strings.Join(left, "\n\n"))
		return 1
	}
	return code
}

// leftover are the stacks that count, but the caller's, which comes first.
func leftover(counts func(stack string) bool) (stacks []string) {
	buf := make([]byte, 1<<20)
	all := strings.Split(string(buf[:runtime.Stack(buf, true)]), "\n\n")
	for _, s := range all[1:] {
		if counts(s) {
			stacks = append(stacks, s)
		}
	}
	return stacks
}
