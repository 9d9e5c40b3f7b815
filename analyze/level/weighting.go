package level

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// Weighting is a frequency weighting of IEC 61672-1.
type Weighting int

// The weightings.
const (
	A Weighting = iota
	C
	Z
)

// Pole frequencies of IEC 61672-1:2013 Annex E, from the values given there:
// fR = 1000 Hz, fL = 10^1.5 Hz, fH = 10^3.9 Hz, fA = 10^2.45 Hz.
var pole1Hz, pole2Hz, pole3Hz, pole4Hz = func() (f1, f2, f3, f4 float64) {
	const reference2 = 1000 * 1000
	low2, high2, d := math.Pow(10, 3), math.Pow(10, 7.8), math.Sqrt(0.5)
	b := (reference2 + low2*high2/reference2 - d*(low2+high2)) / (1 - d)
	c := low2 * high2
	root, fA := math.Sqrt(b*b-4*c), math.Pow(10, 2.45)
	return math.Sqrt((-b - root) / 2), fA * (3 - math.Sqrt(5)) / 2, fA * (3 + math.Sqrt(5)) / 2, math.Sqrt((-b + root) / 2)
}()

// zeroCutHz is where weighting Z ends below, a Butterworth high-pass of two poles:
// what a converter adds of its own must not count, and at 10 Hz, from where the
// standard wants it (IEC 61672-1:2013, 5.5.9 and Table 3, class 1 within +3.0 dB
// there, ±1 dB at 40 Hz), it is 0.01 dB down.
const zeroCutHz = 2

// newWeighting designs the digital filter, gain 1 at 1 kHz. The poles below 1 kHz
// go over by the bilinear transform, which does them no harm; the double pole
// at 12.2 kHz, which it would ruin near half the sample rate, is fitted.
func newWeighting(w Weighting, rateHz float64) cascade {
	if w == Z {
		return highPass(2, zeroCutHz, rateHz)
	}
	pole := func(f float64) complex128 { return bilinear(complex(-prewarp(f, rateHz), 0)) }
	c := cascade{fromRoots(1, 1, pole(pole1Hz), pole(pole1Hz)), fitTop(rateHz)}
	if w == A {
		c = append(c, fromRoots(1, 1, pole(pole2Hz), pole(pole3Hz)))
	}
	c.gainTo(2 * math.Pi * 1000 / rateHz)
	return c
}

// fitTop is the section whose power response follows G = (1 + (f/f4)²)^−2 best,
// in the sense of relative squares, from 0 to 24 kHz or half the sample rate.
//
// A section's power response is N(c)/D(c), polynomials of the second degree in
// c = cos(2πf/rate). Minimising Σ((N − G·D)/(G·D'))² with D' from the pass before
// is linear and settles quickly (Sanathanan and Koerner, IEEE Trans. AC-8,
// 1963). Each root r of a polynomial in c is a pair of roots q, 1/q of the
// filter with q + 1/q = 2r; the one inside the unit circle is taken.
func fitTop(rateHz float64) section {
	const points = 400
	top := min(rateHz/2, 24000)
	cosine, goal := make([]float64, points), make([]float64, points)
	weight := make([]float64, points)
	for i := range cosine {
		f := top * (1 - math.Cos(math.Pi*(float64(i)+0.5)/points)) / 2
		cosine[i] = math.Cos(2 * math.Pi * f / rateHz)
		goal[i] = math.Pow(1+f*f/(pole4Hz*pole4Hz), -2)
		weight[i] = 1
	}
	var x mat.Dense
	a, b := mat.NewDense(points, 5, nil), mat.NewDense(points, 1, nil)
	for range 30 {
		for i, c := range cosine {
			n := 1 / (goal[i] * weight[i])
			a.SetRow(i, []float64{n, n * c, n * c * c, -c / weight[i], -c * c / weight[i]})
			b.Set(i, 0, 1/weight[i])
		}
		var qr mat.QR
		qr.Factorize(a)
		if err := qr.SolveTo(&x, false, b); err != nil {
			panic("level: weighting fit: " + err.Error()) // the points are distinct: it has a solution
		}
		for i, c := range cosine {
			weight[i] = 1 + x.At(3, 0)*c + x.At(4, 0)*c*c
		}
	}
	z1, z2 := insideRoots(x.At(0, 0), x.At(1, 0), x.At(2, 0))
	p1, p2 := insideRoots(1, x.At(3, 0), x.At(4, 0))
	s := fromRoots(z1, z2, p1, p2)
	cascade{s}.gainTo(0)
	return s
}

// insideRoots are the filter roots inside the unit circle of k0 + k1·c + k2·c².
func insideRoots(k0, k1, k2 float64) (q1, q2 complex128) {
	root := cmplx.Sqrt(complex(k1*k1-4*k2*k0, 0))
	inside := func(r complex128) complex128 {
		d := cmplx.Sqrt(r*r - 1)
		if q := r - d; cmplx.Abs(q) <= 1 {
			return q
		}
		return r + d
	}
	return inside((-complex(k1, 0) + root) / complex(2*k2, 0)), inside((-complex(k1, 0) - root) / complex(2*k2, 0))
}
