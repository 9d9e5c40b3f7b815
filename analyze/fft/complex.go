package fft

import (
	"fmt"
	"math"
	"math/bits"
)

// Complex transforms complex sequences of one length in its own memory:
// fill Input, call Transform, use what it returns before the next call.
type Complex struct {
	n        int
	in, work []complex128
	stages   [][]complex128 // three twiddle factors a butterfly, stage by stage
}

// NewComplex plans transforms of n samples. It panics unless n is a power of
// two in 1…2^24.
func NewComplex(n int) *Complex {
	if n < 1 || n > 1<<24 || n&(n-1) != 0 {
		panic(fmt.Sprintf("fft: length %d is not a power of two in 1…2^24", n))
	}
	c := &Complex{n: n, in: make([]complex128, n), work: make([]complex128, n)}
	roots := make([]complex128, n)
	for k := range roots {
		roots[k] = root(k, n)
	}
	for m := n; m >= 4; m /= 4 {
		t := make([]complex128, 0, 3*m/4)
		for p := range m / 4 {
			for k := 1; k <= 3; k++ {
				t = append(t, roots[k*p*(n/m)])
			}
		}
		c.stages = append(c.stages, t)
	}
	return c
}

// root is e^{−j2πk/n}, exact on the axes and symmetric about them.
func root(k, n int) complex128 {
	octant := (8*k + n/2) / n // the nearest multiple of 45°, which keeps the argument small
	s, c := math.Sincos(2 * math.Pi * (float64(k)/float64(n) - float64(octant)/8))
	const h = math.Sqrt2 / 2
	switch octant & 7 {
	case 0:
		return complex(c, -s)
	case 1:
		return complex(h*(c-s), -h*(c+s))
	case 2:
		return complex(-s, -c)
	case 3:
		return complex(-h*(c+s), -h*(c-s))
	case 4:
		return complex(-c, s)
	case 5:
		return complex(-h*(c-s), h*(c+s))
	case 6:
		return complex(s, c)
	default:
		return complex(h*(c+s), h*(c-s))
	}
}

// Len is the number of samples.
func (c *Complex) Len() int { return c.n }

// Input is where Transform takes its n samples from; Transform spoils it.
func (c *Complex) Input() []complex128 { return c.in }

// Transform returns X[k] = Σ Input[i]·e^{−j2πik/n}, valid until Input is
// written to.
func (c *Complex) Transform() []complex128 {
	x, y := c.in, c.work
	stride := 1
	for i, twiddles := range c.stages {
		switch {
		case c.n == 4*stride:
			lastPass(y, x)
		case i == 0:
			firstPass(y, x, twiddles)
		default:
			pass(y, x, twiddles, stride)
		}
		x, y = y, x
		stride *= 4
	}
	if bits.TrailingZeros(uint(c.n))&1 == 1 {
		h := c.n / 2
		x0, x1, y0, y1 := x[:h], x[h:][:h], y[:h], y[h:][:h]
		for q := range x0 {
			y0[q], y1[q] = x0[q]+x1[q], x0[q]-x1[q]
		}
		x = y
	}
	return x
}

// firstPass is pass for a stride of 1, with the twiddles in the inner loop.
func firstPass(y, x, twiddles []complex128) {
	h := len(x) / 4
	x0, x1, x2, x3 := x[:h], x[h:][:h], x[2*h:][:h], x[3*h:][:h]
	for p := range x0 {
		t := twiddles[3*p:][:3]
		o := y[4*p:][:4]
		ar, ai := real(x0[p]), imag(x0[p])
		cr, ci := real(x2[p]), imag(x2[p])
		sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
		ar, ai = real(x1[p]), imag(x1[p])
		cr, ci = real(x3[p]), imag(x3[p])
		ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
		o[0] = complex(sr+ur, si+ui)
		er, ei, wr, wi := dr+vr, di+vi, real(t[0]), imag(t[0])
		o[1] = complex(er*wr-ei*wi, er*wi+ei*wr)
		er, ei, wr, wi = sr-ur, si-ui, real(t[1]), imag(t[1])
		o[2] = complex(er*wr-ei*wi, er*wi+ei*wr)
		er, ei, wr, wi = dr-vr, di-vi, real(t[2]), imag(t[2])
		o[3] = complex(er*wr-ei*wi, er*wi+ei*wr)
	}
}

// pass does the radix-4 butterflies of one stage. The loops are written out in
// real arithmetic on re-sliced quarters: no bounds check and few pointers, which
// is what the speed hangs on.
func pass(y, x, twiddles []complex128, stride int) {
	h := len(x) / 4
	for p := 0; 3*p < len(twiddles); p++ {
		t := twiddles[3*p:][:3]
		w1r, w1i, w2r, w2i, w3r, w3i := real(t[0]), imag(t[0]), real(t[1]), imag(t[1]), real(t[2]), imag(t[2])
		b := p * stride
		x0, x1, x2, x3 := x[b:][:stride], x[b+h:][:stride], x[b+2*h:][:stride], x[b+3*h:][:stride]
		b *= 4
		y0, y1, y2, y3 := y[b:][:stride], y[b+stride:][:stride], y[b+2*stride:][:stride], y[b+3*stride:][:stride]
		for q := range x0 {
			ar, ai := real(x0[q]), imag(x0[q])
			cr, ci := real(x2[q]), imag(x2[q])
			sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
			ar, ai = real(x1[q]), imag(x1[q])
			cr, ci = real(x3[q]), imag(x3[q])
			ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
			y0[q] = complex(sr+ur, si+ui)
			er, ei := dr+vr, di+vi
			y1[q] = complex(er*w1r-ei*w1i, er*w1i+ei*w1r)
			er, ei = sr-ur, si-ui
			y2[q] = complex(er*w2r-ei*w2i, er*w2i+ei*w2r)
			er, ei = dr-vr, di-vi
			y3[q] = complex(er*w3r-ei*w3i, er*w3i+ei*w3r)
		}
	}
}

// lastPass is pass without twiddles: all of them are 1 when four points are left.
func lastPass(y, x []complex128) {
	h := len(x) / 4
	x0, x1, x2, x3 := x[:h], x[h:][:h], x[2*h:][:h], x[3*h:][:h]
	y0, y1, y2, y3 := y[:h], y[h:][:h], y[2*h:][:h], y[3*h:][:h]
	for q := range x0 {
		ar, ai := real(x0[q]), imag(x0[q])
		cr, ci := real(x2[q]), imag(x2[q])
		sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
		ar, ai = real(x1[q]), imag(x1[q])
		cr, ci = real(x3[q]), imag(x3[q])
		ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
		y0[q] = complex(sr+ur, si+ui)
		y1[q] = complex(dr+vr, di+vi)
		y2[q] = complex(sr-ur, si-ui)
		y3[q] = complex(dr-vr, di-vi)
	}
}
