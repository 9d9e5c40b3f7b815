package sweep

import (
	"math"
	"math/bits"

	"plumbline/analyze/fft"
)

const (
	jumpFromHz = 250   // below it an octave's arrival is not sharp enough
	jumpLeastS = 0.002 // less is a matter of the room
	jumpAlikeS = 0.001
)

// jumps says whether samples were lost or put in while the sweep went on: what it
// played later, which is higher, then comes as much earlier or later. So it is where the
// arrivals of all bands above a frequency agree, those of all below it do, and the two do
// not, with two bands at least on either side: from about 400 Hz to 7 kHz of the sweep. A band's arrival is the first time its response is within 6 dB of its
// strongest.
func (s *sweeps) jumps(h []float64, lead int) (seconds, hz float64, ok bool) {
	var mids, arrivals []float64
	reach := int(0.5 * s.rate)
	n := 1 << bits.Len(uint(2*reach-1))
	plan := fft.NewReal(n)
	x := make([]float64, n) // lag 0 in the middle
	for i := range x {
		x[i] = h[((lead+i-n/2)%len(h)+len(h))%len(h)]
	}
	spectrum := plan.Forward(nil, x)
	band := make([]complex128, len(spectrum))
	spacing := s.rate / float64(n)
	arrival := func() (at int) { // of what is in band
		plan.Inverse(x, band)
		top := 0.0
		for _, v := range x {
			top = max(top, math.Abs(v))
		}
		for math.Abs(x[at]) < top/2 {
			at++
		}
		return at
	}
	for mid := math.Max(jumpFromHz, s.cfg.LowHz*math.Sqrt2); mid*math.Sqrt2 <= s.cfg.HighHz; mid *= math.Sqrt2 {
		for k, v := range spectrum {
			band[k] = v * bandWeight(mid, float64(k)*spacing)
		}
		i := arrival()
		for k := range band { // of a pulse, which the band makes broader as it is lower
			band[k] = complex(1-2*float64(k%2), 0) * bandWeight(mid, float64(k)*spacing)
		}
		mids, arrivals = append(mids, mid), append(arrivals, float64(i-arrival())/s.rate)
	}
	within := func(a []float64) bool {
		low, high := a[0], a[0]
		for _, v := range a {
			low, high = min(low, v), max(high, v)
		}
		return high-low <= jumpAlikeS
	}
	for i := 2; i+2 <= len(arrivals); i++ {
		below, above := arrivals[:i], arrivals[i:]
		jump := mean(above) - mean(below)
		if math.Abs(jump) >= jumpLeastS && within(above) && within(below) {
			return jump, mids[i] / math.Sqrt2, true
		}
	}
	return 0, 0, false
}

func mean(x []float64) (m float64) {
	for _, v := range x {
		m += v / float64(len(x))
	}
	return m
}

// bandWeight is a Hann window over log frequency, an octave to either side.
func bandWeight(mid, f float64) complex128 {
	if f <= mid/2 || f >= mid*2 {
		return 0
	}
	return complex((1+math.Cos(math.Pi*octaves(mid, f)))/2, 0)
}
