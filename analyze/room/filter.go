package room

import (
	"math"
	"math/bits"

	"plumbline/analyze/fft"
	"plumbline/analyze/level"
)

// gain is the magnitude of a band's filter, a Butterworth band-pass of order 4, within
// class 1 of IEC 61260-1: it has no phase, so that nothing is delayed and what rings does
// so on both sides, half as long as behind a causal filter of the same steepness.
func gain(band level.Band, frequencyHz float64) float64 {
	if frequencyHz <= 0 {
		return 0
	}
	mid := math.Sqrt(band.LowHz * band.HighHz)
	u := (frequencyHz/mid - mid/frequencyHz) * mid / (band.HighHz - band.LowHz)
	u *= u
	u *= u
	return 1 / math.Sqrt(1+u*u)
}

// filters makes bands of one signal, which it transforms once. Not for two goroutines.
type filters struct {
	rateHz   float64
	plan     *fft.Real
	spectrum []complex128
	work     []complex128
	out      []float64
	length   int
}

// ringS is how far a filter of this width rings on either side, until it is 60 dB
// down and more.
func ringS(widthHz float64) float64 { return 4 / widthHz }

func newFilters(x []float64, rateHz float64) *filters {
	room := int(ringS(10) * rateHz) // behind x, where what lies in front of it goes
	n := 1 << bits.Len(uint(max(len(x)+room, 4)-1))
	f := &filters{rateHz: rateHz, plan: fft.NewReal(n), work: make([]complex128, n/2+1), out: make([]float64, n), length: len(x)}
	copy(f.out, x)
	f.spectrum = f.plan.Forward(nil, f.out)
	return f
}

// through is x through a band's filter, valid until the next call.
func (f *filters) through(band level.Band) []float64 {
	spacing := f.rateHz / float64(f.plan.Len())
	for k, v := range f.spectrum {
		f.work[k] = v * complex(gain(band, float64(k)*spacing), 0)
	}
	return f.plan.Inverse(f.out, f.work)[:f.length]
}
