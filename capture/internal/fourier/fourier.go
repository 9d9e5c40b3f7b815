// Package fourier is the fast Fourier transform of the virtual rig: complex,
// power of two, in place.
package fourier

import (
	"math"
	"math/bits"
)

// Plan holds the tables for one length. It is read only once made: any number
// of goroutines may share it.
type Plan struct {
	turn    []complex128 // e^(−j2πk/n), k < n/2
	reverse []uint32
}

// New makes a plan for n points; it panics unless n is a power of two.
func New(n int) *Plan {
	if n < 1 || n&(n-1) != 0 {
		panic("fourier: the length must be a power of two")
	}
	p := &Plan{turn: make([]complex128, n/2), reverse: make([]uint32, n)}
	for k := range p.turn {
		sin, cos := math.Sincos(-2 * math.Pi * float64(k) / float64(n))
		p.turn[k] = complex(cos, sin)
	}
	shift := 32 - bits.TrailingZeros(uint(n))
	for i := range p.reverse {
		p.reverse[i] = uint32(uint64(bits.Reverse32(uint32(i))) >> shift)
	}
	return p
}

// Len is the number of points.
func (p *Plan) Len() int { return len(p.reverse) }

// Forward replaces x by Σ x[i] e^(−j2πki/n), not normalised.
func (p *Plan) Forward(x []complex128) {
	n := len(p.reverse)
	if len(x) != n {
		panic("fourier: x has another length than the plan")
	}
	for i, r := range p.reverse {
		if int(r) > i {
			x[i], x[r] = x[r], x[i]
		}
	}
	// The first two stages at once: their turns are 1 and −j.
	if n >= 4 {
		for b := 0; b < n; b += 4 {
			y := x[b : b+4 : b+4]
			a, c := y[0]+y[1], y[0]-y[1]
			d, e := y[2]+y[3], y[2]-y[3]
			e = complex(imag(e), -real(e))
			y[0], y[1], y[2], y[3] = a+d, c+e, a-d, c-e
		}
	} else if n == 2 {
		x[0], x[1] = x[0]+x[1], x[0]-x[1]
	}
	for half := 4; half < n; half *= 2 {
		step := n / (2 * half)
		for b := 0; b < n; b += 2 * half {
			lo, hi := x[b:b+half], x[b+half:b+2*half]
			hi = hi[:len(lo)]
			for k := range lo {
				t := p.turn[k*step] * hi[k]
				lo[k], hi[k] = lo[k]+t, lo[k]-t
			}
		}
	}
}

// Inverse is the reverse of Forward, with 1/n.
func (p *Plan) Inverse(x []complex128) {
	p.Forward(x)
	n := len(x)
	scale := complex(1/float64(n), 0)
	for i, j := 1, n-1; i < j; i, j = i+1, j-1 {
		x[i], x[j] = x[j]*scale, x[i]*scale
	}
	x[0] *= scale
	if n > 1 {
		x[n/2] *= scale
	}
}
