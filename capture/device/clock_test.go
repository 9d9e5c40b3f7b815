package device

import (
	"testing"
	"time"
)

// Where the host says that samples were lost, what it still holds is not among them.
func TestWhatWaitsIsNotLost(t *testing.T) {
	const rate, block = 48000, 480
	now := time.Unix(1000, 0)
	var c clock
	c.start(now, rate)
	for range 250 { // 2.5 s in which nothing is lost: the base is known
		now = now.Add(10 * time.Millisecond)
		if n := c.add(now, block); n != 0 {
			t.Fatalf("%d frames missing of a source that loses none", n)
		}
	}
	// A tenth of a second without a block; then one comes, 40 ms wait behind it.
	now = now.Add(110 * time.Millisecond)
	if n, want := c.overflow(now, block, 1920), 4800-1920; n < want-2 || n > want+2 {
		t.Errorf("%d frames lost, want %d", n, want)
	}
}
