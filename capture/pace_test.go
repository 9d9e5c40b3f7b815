package capture

import (
	"testing"
	"testing/synctest"
	"time"
)

// 44100 does not divide a second of nanoseconds: a pacer that adds rounded
// blocks would be 0.3 ms off after an hour.
func TestPacerDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPacer(44100)
		start := time.Now()
		for range 3600 * 100 {
			if err := p.Wait(t.Context(), 441); err != nil {
				t.Fatal(err)
			}
		}
		if d := time.Since(start); d != time.Hour {
			t.Errorf("an hour of blocks took %v", d)
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
			p.Wait(t.Context(), 480)
		}
		if d := time.Since(start); d != 1010*time.Millisecond {
			t.Errorf("after half a second's delay the clock reads %v, want 1.01 s", d)
		}
		time.Sleep(time.Hour)
		start = time.Now()
		for range 100 {
			p.Wait(t.Context(), 480)
		}
		if d := time.Since(start); d < 980*time.Millisecond {
			t.Errorf("a second of sound came in %v after an hour's sleep", d)
		}
	})
}
