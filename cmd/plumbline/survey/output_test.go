package survey

import (
	"math"
	"testing"
	"time"

	"plumbline/stream/wire"
)

// What an output plays comes out of silence, follows the ramp, is never above
// its end, and sounds on the channels asked for only.
func TestOutputLevel(t *testing.T) {
	const channels, block = 4, 480
	ramp := Ramp{FromDBFS: -40, ToDBFS: -20, S: 3}
	n, err := newNoise(testRate, ramp)
	if err != nil {
		t.Fatal(err)
	}
	sums := make([]float64, 80) // of squares, in tenths of a second
	for at := 0; at < 8*testRate; at += block {
		samples := make([]float32, block*channels)
		n.fill(samples, channels, []int{3, 1})
		for i := 0; i < len(samples); i += channels {
			if samples[i] != 0 || samples[i+2] != 0 || samples[i+1] != samples[i+3] {
				t.Fatal("it sounds on other channels")
			}
			x := float64(samples[i+1])
			sums[(at+i/channels)*10/testRate] += x * x
		}
	}
	level := func(from, to int) float64 { // AES17: a full-scale sine wave is 0 dB
		sum := 0.0
		for _, s := range sums[from:to] {
			sum += s
		}
		return 10 * math.Log10(2*sum/float64((to-from)*testRate/10))
	}
	if first := level(0, 1); first > -40 {
		t.Errorf("it begins with %.1f dBFS", first)
	}
	// Pink noise wanders by more than a dB in half a second.
	for tenth := 5; tenth < 30; tenth += 5 {
		mean := ramp.At(time.Duration(tenth+3) * 100 * time.Millisecond)
		if got := level(tenth, tenth+5); math.Abs(got-mean) > 2.5 {
			t.Errorf("after %.1f s %.1f dBFS, want %.1f", float64(tenth)/10, got, mean)
		}
	}
	if end := level(31, 80); math.Abs(end+20) > 0.5 {
		t.Errorf("it ends at %.2f dBFS", end)
	}
}

// At the highest cap the peaks of noise do not fit: they are cut off, nothing wraps.
func TestOutputIsCutOffAtFullScale(t *testing.T) {
	n, err := newNoise(testRate, Ramp{wire.HighestCapDBFS, wire.HighestCapDBFS, 1})
	if err != nil {
		t.Fatal(err)
	}
	peak := float32(0)
	for range 100 {
		samples := make([]float32, testRate/10)
		n.fill(samples, 1, []int{0})
		for _, x := range samples {
			peak = max(peak, x, -x)
		}
	}
	if peak > 1 || peak < 0.9 {
		t.Errorf("peak %g", peak)
	}
	for _, ramp := range []Ramp{{-40, -5, 3}, {-40, math.NaN(), 3}, {-20, -40, 3}} {
		if _, err := newNoise(testRate, ramp); err == nil {
			t.Errorf("%+v is played", ramp)
		}
	}
}
