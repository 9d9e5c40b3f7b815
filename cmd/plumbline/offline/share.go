package offline

import (
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// share calls do(0) … do(n−1) in at most workers goroutines and waits for all. If
// do panics, so does share when the others have ended: in a goroutine of its own
// nobody could catch it, and one request would end the daemon.
func share(n, workers int, do func(i int)) {
	workers = min(n, workers)
	var failed atomic.Pointer[string]
	work := func(w int) {
		defer func() {
			if p := recover(); p != nil {
				text := fmt.Sprintf("%v\n\nin a worker:\n%s", p, debug.Stack())
				failed.CompareAndSwap(nil, &text)
			}
		}()
		for i := w; i < n && failed.Load() == nil; i += workers {
			do(i)
		}
	}
	var wg sync.WaitGroup
	for w := 1; w < workers; w++ {
		wg.Go(func() { work(w) })
	}
	work(0)
	wg.Wait()
	if text := failed.Load(); text != nil {
		panic(*text)
	}
}
