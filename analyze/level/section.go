package level

import (
	"math"
	"math/cmplx"
)

// section is a second-order filter, transposed direct form II: the form whose
// rounding stays harmless with poles as close to 1 as a 16 Hz band's at 192 kHz.
type section struct {
	b0, b1, b2, a1, a2 float64
	s1, s2             float64
}

// cascade is sections in a row.
type cascade []section

// filter sets dst to src filtered; dst may be src.
func (c cascade) filter(dst, src []float64) {
	dst = dst[:len(src)]
	for i := range c {
		f := &c[i]
		b0, b1, b2, a1, a2, s1, s2 := f.b0, f.b1, f.b2, f.a1, f.a2, f.s1, f.s2
		for n, x := range src {
			y := b0*x + s1
			s1 = b1*x - a1*y + s2
			s2 = b2*x - a2*y
			dst[n] = y
		}
		// What has died away would otherwise end as slow subnormal numbers.
		if math.Abs(s1) < 1e-200 && math.Abs(s2) < 1e-200 {
			s1, s2 = 0, 0
		}
		f.s1, f.s2 = s1, s2
		src = dst
	}
}

func (c cascade) reset() {
	for i := range c {
		c[i].s1, c[i].s2 = 0, 0
	}
}

// settle makes the state that of an input that has been v for ever.
func (c cascade) settle(v float64) {
	for i := range c {
		f := &c[i]
		y := v * (f.b0 + f.b1 + f.b2) / (1 + f.a1 + f.a2)
		f.s2 = f.b2*v - f.a2*y
		f.s1 = f.b1*v - f.a1*y + f.s2
		v = y
	}
}

// response at a frequency of phase w radians a sample.
func (c cascade) response(w float64) complex128 {
	z := cmplx.Rect(1, -w)
	h := complex(1, 0)
	for _, f := range c {
		h *= (complex(f.b0, 0) + z*(complex(f.b1, 0)+z*complex(f.b2, 0))) /
			(1 + z*(complex(f.a1, 0)+z*complex(f.a2, 0)))
	}
	return h
}

// gainTo scales the sections, each by itself, so that the gain is 1 at phase w.
func (c cascade) gainTo(w float64) {
	for i := range c {
		g := 1 / cmplx.Abs(c[i:i+1].response(w))
		c[i].b0 *= g
		c[i].b1 *= g
		c[i].b2 *= g
	}
}

// fromRoots is the section with these zeros and poles, real or conjugate pairs.
func fromRoots(zero1, zero2, pole1, pole2 complex128) section {
	return section{
		b0: 1, b1: -real(zero1 + zero2), b2: real(zero1 * zero2),
		a1: -real(pole1 + pole2), a2: real(pole1 * pole2),
	}
}

// bilinear maps a pole of an analog filter, its frequencies as tan(πf/rate).
func bilinear(s complex128) complex128 { return (1 + s) / (1 - s) }

func prewarp(frequencyHz, rateHz float64) float64 { return math.Tan(math.Pi * frequencyHz / rateHz) }

// prototype is pole k of the Butterworth low-pass of order n at 1 rad/s; pole
// n−1−k is its conjugate.
func prototype(k, n int) complex128 {
	return cmplx.Rect(1, math.Pi*(0.5+(float64(k)+0.5)/float64(n)))
}

// bandPass is the Butterworth band-pass of n low-pass poles between two edges.
func bandPass(n int, lowHz, highHz, rateHz float64) cascade {
	low, high := prewarp(lowHz, rateHz), prewarp(highHz, rateHz)
	middle2, width := complex(low*high, 0), complex(high-low, 0)
	var c cascade
	for k := range (n + 1) / 2 {
		// s² − p·width·s + middle² = 0
		p := prototype(k, n) * width
		root := cmplx.Sqrt(p*p - 4*middle2)
		s1, s2 := bilinear((p+root)/2), bilinear((p-root)/2)
		if 2*k == n-1 { // the real pole: its pair belongs together
			c = append(c, fromRoots(1, -1, s1, s2))
			continue
		}
		c = append(c, fromRoots(1, -1, s1, cmplx.Conj(s1)), fromRoots(1, -1, s2, cmplx.Conj(s2)))
	}
	c.gainTo(2 * math.Atan(math.Sqrt(low*high)))
	return c
}

// highPass is the Butterworth high-pass of n poles, n even.
func highPass(n int, cutHz, rateHz float64) cascade {
	var c cascade
	cut := complex(prewarp(cutHz, rateHz), 0)
	for k := range n / 2 {
		s := bilinear(cut / prototype(k, n))
		c = append(c, fromRoots(1, 1, s, cmplx.Conj(s)))
	}
	c.gainTo(math.Pi)
	return c
}

// lowPass is the Butterworth low-pass of n poles, n even.
func lowPass(n int, cutHz, rateHz float64) cascade {
	var c cascade
	cut := complex(prewarp(cutHz, rateHz), 0)
	for k := range n / 2 {
		s := bilinear(cut * prototype(k, n))
		c = append(c, fromRoots(-1, -1, s, cmplx.Conj(s)))
	}
	c.gainTo(0)
	return c
}
