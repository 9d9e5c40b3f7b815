package capture

import (
	"math"
	"testing"
	"testing/synctest"
	"time"
)

// A block of 512 frames at 44100 Hz is no whole number of nanoseconds: a pacer
// that adds up rounded blocks would be off by tens of microseconds after 20 minutes.
func TestPacerDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPacer(44100)
		start := time.Now()
		const blocks = 100_000
		for range blocks {
			if lost, err := p.Wait(t.Context(), 512); err != nil || lost != 0 {
				t.Fatal(lost, err)
			}
		}
		exact := float64(blocks*512) / 44100
		if d := time.Since(start).Seconds() - exact; math.Abs(d) > 1.5e-9 {
			t.Errorf("after %.3f s the pacer is %.3g s off", exact, d)
		}
	})
}

func TestPacerCatchesUpALittleAndForgivesALot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPacer(48000)
		start := time.Now()
		p.Wait(t.Context(), 480)
		time.Sleep(500 * time.Millisecond)
		for range 100 {
			if lost, _ := p.Wait(t.Context(), 480); lost != 0 {
				t.Errorf("%d frames are lost though it caught up", lost)
			}
		}
		if d := time.Since(start); d != 1010*time.Millisecond {
			t.Errorf("after half a second's delay the clock reads %v, want 1.01 s", d)
		}
		time.Sleep(time.Hour)
		start = time.Now()
		lost := uint64(0)
		for range 100 {
			n, _ := p.Wait(t.Context(), 480)
			lost += n
		}
		if want := uint64(3600*48000 - 480); lost != want { // all but the block that was due
			t.Errorf("%d frames are lost, want %d", lost, want)
		}
		if d := time.Since(start); d < 980*time.Millisecond {
			t.Errorf("a second of sound came in %v after an hour's sleep", d)
		}
	})
}
