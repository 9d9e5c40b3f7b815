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
	*twiddles
}

// NewComplex plans transforms of n samples. It panics unless n is a power of
// two in 1…2^24.
func NewComplex(n int) *Complex {
	if n < 1 || n > 1<<24 || n&(n-1) != 0 {
		panic(fmt.Sprintf("fft: length %d is not a power of two in 1…2^24", n))
	}
	return &Complex{n: n, in: make([]complex128, n), work: make([]complex128, n), twiddles: twiddlesOf(n)}
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
func (c *Complex) Transform() []complex128 { return c.from(0, c.in, c.work) }

// widestTwo is the widest stride of two passes at once: from here on the sixteen
// places that they write to in turn would lie in the same set of the cache of a core.
const widestTwo = 64

// from goes on with x at a stage and returns x or y.
func (c *Complex) from(stage int, x, y []complex128) []complex128 {
	x, y = through(c.stages[stage:], 1<<(2*stage), x, y)
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

// through goes through stages from x at a stride, and returns what came of it first.
func through(stages [][]complex128, stride int, x, y []complex128) (done, other []complex128) {
	for len(stages) > 0 {
		if len(stages) > 1 && two && stride >= 4 && stride <= widestTwo {
			passTwo(y, x, stages[0], stages[1], stride)
			stages, stride = stages[2:], 16*stride
		} else {
			pass(y, x, stages[0], stride)
			stages, stride = stages[1:], 4*stride
		}
		x, y = y, x
	}
	return x, y
}
