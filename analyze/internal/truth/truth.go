// Package truth is for tests that prove a claim: many trials, and what they found;
// make truth and make watch-day put that into the tables of testdata/PROOFS.md.
package truth

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"
)

// Thorough says whether the long Monte-Carlo runs are wanted (make truth).
var Thorough = os.Getenv("PLUMBLINE_TRUTH") != ""

// From is added to the seeds of a proof that asks for it: PLUMBLINE_TRUTH_FROM tries
// what nothing was tuned on.
var From, _ = strconv.ParseUint(os.Getenv("PLUMBLINE_TRUTH_FROM"), 10, 32)

// Trials calls f for 0 ≤ i < n, on all processors at once.
func Trials(n int, f func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

// Claim reports what was claimed, against which source, and what was found.
func Claim(t testing.TB, claimed, source, format string, found ...any) {
	t.Helper()
	t.Attr("truth", fmt.Sprintf("%s | %s | %s", claimed, fmt.Sprintf(format, found...), source))
}
