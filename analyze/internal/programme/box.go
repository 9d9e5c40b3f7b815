package programme

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// Crossover is how a box splits its two ways.
type Crossover int

// The usual crossovers, and none.
const (
	FullRange          Crossover = iota
	LinkwitzRiley4               // 24 dB/octave, in phase
	LinkwitzRiley2               // 12 dB/octave, high driver reversed on purpose, as that order needs
	Butterworth3                 // 18 dB/octave, in phase
	Butterworth3Turned           // 18 dB/octave, high driver reversed on purpose
)

// Box is the transfer function of a loudspeaker.
type Box struct {
	LowHz        float64 // high-pass edge
	LowOrder     int     // 2 (closed) or 4 (vented)
	LowQ         float64 // of the second-order section that 2 has and 4 has as one of two
	HighHz       float64 // second-order low-pass edge
	Crossover    Crossover
	CrossoverHz  float64
	HighReversed bool // the high driver is wired the wrong way round
	EQ           []Peak
}

// Peak is a minimum-phase peaking filter.
type Peak struct{ Hz, GainDB, Q float64 }

// RandomBox draws a box of 40…150 Hz upwards, with or without a crossover.
func RandomBox(r *rand.Rand) Box {
	b := Box{
		LowHz:       40 * math.Pow(150.0/40, r.Float64()),
		LowOrder:    2 + 2*r.IntN(2),
		LowQ:        0.6 + 0.5*r.Float64(),
		HighHz:      12000 + 8000*r.Float64(),
		Crossover:   Crossover(r.IntN(5)),
		CrossoverHz: 700 * math.Pow(5, r.Float64()),
	}
	for range r.IntN(4) {
		b.EQ = append(b.EQ, Peak{80 * math.Pow(100, r.Float64()), 12*r.Float64() - 6, 0.7 + 2*r.Float64()})
	}
	return b
}

// Response is the box's transfer function at a frequency.
func (b Box) Response(hz float64) complex128 {
	h := complex(1, 0)
	s := complex(0, hz/b.LowHz)
	h *= s * s / (s*s + s/complex(b.LowQ, 0) + 1)
	if b.LowOrder == 4 {
		h *= s * s / (s*s + s*complex(math.Sqrt2, 0) + 1)
	}
	s = complex(0, hz/b.HighHz)
	h *= 1 / (s*s + s*complex(math.Sqrt2, 0) + 1)
	for _, p := range b.EQ {
		s := complex(0, hz/p.Hz)
		g := math.Pow(10, p.GainDB/40)
		h *= (s*s + s*complex(g/p.Q, 0) + 1) / (s*s + s/complex(g*p.Q, 0) + 1)
	}
	if b.Crossover == FullRange {
		return h
	}
	s = complex(0, hz/b.CrossoverHz)
	var low, high complex128
	switch b.Crossover {
	case LinkwitzRiley4:
		d := s*s + s*complex(math.Sqrt2, 0) + 1
		low, high = 1/(d*d), cmplx.Pow(s, 4)/(d*d)
	case LinkwitzRiley2:
		d := (1 + s) * (1 + s)
		low, high = 1/d, -s*s/d
	case Butterworth3, Butterworth3Turned:
		d := (1 + s) * (s*s + s + 1)
		low, high = 1/d, s*s*s/d
		if b.Crossover == Butterworth3Turned {
			high = -high
		}
	}
	if b.HighReversed {
		high = -high
	}
	return h * (low + high)
}
