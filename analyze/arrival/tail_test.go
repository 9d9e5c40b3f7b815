package arrival

import (
	"testing"

	"plumbline/analyze/internal/programme"
)

// A box whose crossover of 48 dB an octave holds its low driver back is one arrival, by
// itself; a second box that is as far behind is another. The crossover is the all-pass
// sum of two Linkwitz-Riley halves (Linkwitz, J. Audio Eng. Soc. 24, 1976).
func TestTailOfACrossoverIsNoArrival(t *testing.T) {
	const rate = 48000
	steep := func(hz float64) complex128 {
		// Butterworth of fourth order, low and high half, each twice: both over the same
		// denominator, so the sum is (1 + s⁸)/D².
		s := complex(0, hz/1300)
		d := (s*s + complex(0.7653668647, 0)*s + 1) * (s*s + complex(1.8477590650, 0)*s + 1)
		s4 := s * s * s * s
		return (1 + s4*s4) / (d * d)
	}
	for seed := range uint64(4) {
		r := programme.New(seed)
		x := programme.Pink(r, rate, 4*rate)
		band := programme.Box{LowHz: 70, LowOrder: 2, LowQ: 0.7, HighHz: 15000}
		y := programme.Filter(x, rate, func(f float64) complex128 { return band.Response(f) * steep(f) })
		y = programme.Delay(y, rate, 0.012)
		list, reason := find(t, Config{}, x, programme.AddNoise(r, append([]float64{}, y...), 30))
		if len(list) != 1 {
			t.Errorf("seed %d: one box is told as %d arrivals: %+v %s", seed, len(list), list, reason)
		}
		second := programme.Delay(programme.Filter(x, rate, band.Response), rate, 0.0132)
		for i := range y {
			y[i] += 0.9 * second[i]
		}
		list, reason = find(t, Config{}, x, programme.AddNoise(r, y, 30))
		if len(list) != 2 {
			t.Errorf("seed %d: two boxes are told as %d arrivals: %+v %s", seed, len(list), list, reason)
		}
	}
}
