package rig

import (
	"math"
	"math/cmplx"
	"testing"
)

// Butterworth: 3.01 dB down at the corner, 12 dB an octave beyond it.
func TestBoxCorners(t *testing.T) {
	l := Loudspeaker{LowHz: 80, HighHz: 8000}
	for f, want := range map[float64]float64{80: -3.0103, 8000: -3.0103, 800: 0, 40: -12.3045, 20: -24.0993} {
		if got := db(cmplx.Abs(l.box(f, 192000))); math.Abs(got-want) > 0.005 {
			t.Errorf("%g Hz: %.3f dB, want %.3f", f, got, want)
		}
	}
}

// Linkwitz-Riley: both drivers 6.02 dB down at the crossover and in phase
// everywhere, so that they add to an all-pass; the high driver reversed leaves
// a notch there.
func TestCrossoverSumsToAnAllPass(t *testing.T) {
	for _, order := range []int{2, 4, 8} {
		for f := 20.0; f < 20000; f *= 1.1 {
			low, high := linkwitzRiley(order, f, 1500, 48000)
			if d := math.Abs(db(cmplx.Abs(low + high))); d > 1e-9 {
				t.Fatalf("order %d at %g Hz: the sum is off by %g dB", order, f, d)
			}
			if cmplx.Abs(high) > 1e-6 && cmplx.Abs(low) > 1e-6 {
				if turn := math.Abs(cmplx.Phase(low / high)); turn > 1e-6 {
					t.Fatalf("order %d at %g Hz: the drivers are %g rad apart", order, f, turn)
				}
			}
		}
		low, high := linkwitzRiley(order, 1500, 1500, 48000)
		if math.Abs(db(cmplx.Abs(low))+6.0206) > 1e-4 || math.Abs(db(cmplx.Abs(high))+6.0206) > 1e-4 {
			t.Errorf("order %d: the drivers are at %.4f and %.4f dB", order, db(cmplx.Abs(low)), db(cmplx.Abs(high)))
		}
		if order == 4 { // an all-pass of second order turns by 180° here, by 360° in all
			if turn := math.Abs(cmplx.Phase(low + high)); math.Abs(turn-math.Pi) > 1e-9 {
				t.Errorf("order 4 turns by %g rad at the crossover", turn)
			}
		}
		wrong := Loudspeaker{CrossoverHz: 1500, CrossoverOrder: order, HighReversed: true}
		if notch := cmplx.Abs(wrong.box(1500, 48000)); notch > 1e-9 {
			t.Errorf("order %d with the high driver reversed: %.3g at the crossover, want none", order, notch)
		}
		if above := db(cmplx.Abs(wrong.box(15000, 48000))); math.Abs(above) > 0.2 {
			t.Errorf("order %d with the high driver reversed: %.2f dB far above", order, above)
		}
	}
}

// The impulse response is long enough for the box: what was cut off is below
// −130 dB. The same path without a box takes out the interpolation.
func TestImpulseResponseHoldsTheWholeBox(t *testing.T) {
	for _, l := range []Loudspeaker{
		{LowHz: 10, HighHz: 16000},
		{LowHz: 60, HighHz: 16000, CrossoverHz: 1500, CrossoverOrder: 4},
		{LowHz: 30, CrossoverHz: 80, CrossoverOrder: 8},
		{CrossoverHz: 50, CrossoverOrder: 2, HighReversed: true},
		{LowHz: 60, Polarity: Opposite, GainDB: 10},
	} {
		s := free()
		ideal, zero := s.ImpulseResponse(0, 0)
		l.Name, l.PositionM = "main", s.Loudspeakers[0].PositionM
		s.Loudspeakers[0] = l
		h, _ := s.ImpulseResponse(0, 0)
		for f := 5.0; f < 19000; f *= 1.25 {
			want := l.box(f, 48000) * transfer(ideal, zero, f, 48000)
			if d := cmplx.Abs(transfer(h, zero, f, 48000)-want) / math.Pow(10, l.GainDB/20); d > 3e-7 {
				t.Fatalf("%+v at %g Hz: off by %.2g", l, f, d)
			}
		}
	}
}
