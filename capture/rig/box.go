package rig

import (
	"math"
	"math/cmplx"
)

// box is the response of the loudspeaker itself: second-order Butterworth
// high-pass and low-pass, and the sum of the drivers behind a Linkwitz-Riley
// crossover. All sections are mapped to the sample rate by the bilinear
// transform with their own corner kept, so that the response is causal.
func (l Loudspeaker) box(frequencyHz, rateHz float64) complex128 {
	h := complex(math.Pow(10, l.GainDB/20), 0)
	if l.Polarity == Opposite {
		h = -h
	}
	if l.LowHz > 0 {
		_, high := butterworth2(frequencyHz, l.LowHz, rateHz)
		h *= high
	}
	if l.HighHz > 0 {
		low, _ := butterworth2(frequencyHz, l.HighHz, rateHz)
		h *= low
	}
	if l.CrossoverHz > 0 {
		low, high := linkwitzRiley(l.CrossoverOrder, frequencyHz, l.CrossoverHz, rateHz)
		if l.HighReversed {
			high = -high
		}
		h *= low + high
	}
	return h
}

// bilinear gives s/ω0 as the fraction a/b.
func bilinear(frequencyHz, cornerHz, rateHz float64) (a, b complex128) {
	z := cmplx.Exp(complex(0, -2*math.Pi*frequencyHz/rateHz))
	return (1 - z) / complex(math.Tan(math.Pi*cornerHz/rateHz), 0), 1 + z
}

// section is one second-order low-pass and high-pass with a common denominator,
// p²+p/q+1 with p = a/b.
func section(a, b, overQ complex128) (low, high complex128) {
	d := b*b + overQ*a*b + a*a
	return b * b / d, a * a / d
}

func butterworth2(frequencyHz, cornerHz, rateHz float64) (low, high complex128) {
	a, b := bilinear(frequencyHz, cornerHz, rateHz)
	return section(a, b, math.Sqrt2)
}

// linkwitzRiley is the pair of two Butterworth filters of half the order in a
// row (S. Linkwitz, J. Audio Eng. Soc. 24(1), 1976). Where its drivers would
// be in opposite phase, at order 2, the high one is wired the other way round,
// as is usual: the sum is an all-pass for every order.
func linkwitzRiley(order int, frequencyHz, cornerHz, rateHz float64) (low, high complex128) {
	a, b := bilinear(frequencyHz, cornerHz, rateHz)
	low, high = 1, 1
	switch order {
	case 2: // two first-order sections
		low, high = b/(a+b), a/(a+b)
	default: // Butterworth of order 2 or 4: 1/Q = 2 cos of the angle of each pole pair
		pairs := order / 4
		for k := range pairs {
			angle := math.Pi * float64(2*k+1) / float64(4*pairs)
			l, h := section(a, b, complex(2*math.Cos(angle), 0))
			low, high = low*l, high*h
		}
	}
	if order == 2 {
		return low * low, -high * high
	}
	return low * low, high * high
}

// decayS is how long the box rings until what is left is 156 dB down: 18 time
// constants of its slowest pole, and half as many again for a double one.
func (l Loudspeaker) decayS() float64 {
	const nepers = 18
	s := 0.0
	if l.LowHz > 0 {
		s = max(s, nepers/(2*math.Pi*l.LowHz*math.Cos(math.Pi/4)))
	}
	if l.CrossoverHz > 0 {
		slowest := 1.0 // real part of the slowest pole re the corner
		switch l.CrossoverOrder {
		case 4:
			slowest = math.Cos(math.Pi / 4)
		case 8:
			slowest = math.Cos(3 * math.Pi / 8)
		}
		s = max(s, 1.5*nepers/(2*math.Pi*l.CrossoverHz*slowest))
	}
	return s
}
