package polarity

import "math"

// turn is what a crossover does to the phase of a sound box beyond what its
// magnitude implies.
type turn struct {
	hz    float64 // where; 0 for none
	order int     // of the all-pass: 1 turns by 180°, 2 by 360° or 720°
	prior float64
	re    [cellCount]float64 // of what it multiplies a cell by
	im    [cellCount]float64
}

// boxTurns are the all-pass sums of the usual crossovers: none; second order
// (Linkwitz-Riley 24 dB/octave, Butterworth 18 dB/octave); first order
// (Linkwitz-Riley 12 dB/octave with one driver reversed on purpose, Butterworth
// 18 dB/octave reversed, and, with a notch in the magnitude, a 24 dB/octave box
// with a driver reversed by mistake); fourth order (Linkwitz-Riley 48 dB/octave); two
// second-order ones (three ways).
var boxTurns = makeTurns()

func makeTurns() (box []turn) {
	add := func(prior, hz float64, order int, f func(hz float64) complex128) {
		t := turn{hz: hz, order: order, prior: prior}
		for c := range t.re {
			m := f(cellHz(c))
			t.re[c], t.im[c] = real(m), imag(m)
		}
		box = append(box, t)
	}
	first := func(f, f0 float64) complex128 {
		s := complex(0, f/f0)
		return (1 - s) / (1 + s)
	}
	section := func(f, f0, overQ float64) complex128 {
		s := complex(0, f/f0)
		return (s*s - complex(overQ, 0)*s + 1) / (s*s + complex(overQ, 0)*s + 1)
	}
	second := func(f, f0 float64) complex128 { return section(f, f0, math.Sqrt2) }
	// Butterworth of order 4: 1/Q = 2 cos of the angles of its pole pairs.
	fourth := func(f, f0 float64) complex128 {
		return section(f, f0, 2*math.Cos(math.Pi/8)) * section(f, f0, 2*math.Cos(3*math.Pi/8))
	}
	one := func(float64) complex128 { return 1 }
	add(0.35, 0, 0, one)
	const places = 14
	for i := range places {
		f0 := cellHz(cellOf(250)) * math.Pow(10, float64(i)/10)
		add(0.3/places, f0, 2, func(f float64) complex128 { return second(f, f0) })
		if i%2 == 1 {
			add(0.12/places*2, f0, 2, func(f float64) complex128 { return fourth(f, f0) })
		}
		add(0.2/places, f0, 1, func(f float64) complex128 { return first(f, f0) })
	}
	for i := range 3 {
		for j := range 3 {
			f1, f2 := 250*math.Pow(2, float64(i)*0.7), 1600*math.Pow(2, float64(j)*0.7)
			add(0.15/9, f2, 2, func(f float64) complex128 { return second(f, f1) * second(f, f2) })
		}
	}
	return box
}
