// Package truth is for tests that prove a claim: many trials, and what they found;
// make truth and make watch-day put that into the tables of testdata/PROOFS.md.
package truth

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
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

// Bound is what a claim says of a number that was found.
type Bound struct {
	found, bound float64
	text         string // as it stands in the claim
	least        bool
}

// AtMost says that no more was found than the number that stands in the claim, as it
// stands there.
func AtMost(found float64, bound string) Bound { return Bound{found, parse(bound), bound, false} }

// AtLeast says that no less was found.
func AtLeast(found float64, bound string) Bound { return Bound{found, parse(bound), bound, true} }

func parse(bound string) float64 {
	x, err := strconv.ParseFloat(bound, 64)
	if err != nil {
		panic("truth: " + err.Error())
	}
	return x
}

// Claim reports what was claimed, against which source, and what was found, and fails the
// test where that is not within the bounds, each of which stands in the claim. A claim
// without one is in words that the test asserts itself.
func Claim(t testing.TB, claimed, source, found string, bounds ...Bound) {
	t.Helper()
	t.Attr("truth", fmt.Sprintf("%s | %s | %s", claimed, found, source))
	for _, b := range bounds {
		if !strings.Contains(claimed, b.text) {
			t.Errorf("the bound %s does not stand in the claim %q", b.text, claimed)
		}
		if b.least && !(b.found >= b.bound) || !b.least && !(b.found <= b.bound) {
			t.Errorf("%s: found %s (%g against %s)", claimed, found, b.found, b.text)
		}
	}
}
