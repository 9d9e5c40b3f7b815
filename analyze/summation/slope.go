package summation

import (
	"math"
	"math/cmplx"
)

// Slopes are group delays over the band of a pair: what straight lines through
// the phase of A and of B say, and so of B against A. Where they are equal the
// phases run parallel and stay together over the band; a whole cycle too much or
// too little brings them together at one frequency only.
type Slopes struct {
	AMs, BMs float64 // on the pair's axis: re the reference after A's compensation
	LaterMs  float64 // B's less A's
	SDMs     float64 // standard deviation of LaterMs, by how the phase strays from the line
}

// Slopes measures group delays on the pair's Cells, weighted by how far they add
// up: 2|A||B|/(|A|² + |B|²). A's is looked for within reachMs of 0, B's against it
// within reachMs of aroundMs.
//
// The delay is where the magnitude of Σ c·e^{j(φ+ωτ)} is largest: the envelope of
// the correlation, which knows nothing of cycles or polarity (the definition of
// group delay, −dφ/dω, made robust against phase that strays).
func (p *Pair) Slopes(aroundMs, reachMs float64) Slopes {
	cells := p.Cells()
	omega, c := make([]float64, len(cells)), make([]float64, len(cells))
	a, between := make([]complex128, len(cells)), make([]complex128, len(cells))
	for i, k := range cells {
		omega[i] = 2 * math.Pi * p.FrequencyHz[k]
		c[i] = 2 * cmplx.Abs(p.A[k]) * cmplx.Abs(p.B[k]) / (power(p.A[k]) + power(p.B[k]))
		a[i] = complex(c[i]/cmplx.Abs(p.A[k]), 0) * p.A[k]
		cross := cmplx.Conj(p.A[k]) * p.B[k]
		between[i] = complex(c[i]/cmplx.Abs(cross), 0) * cross
	}
	var s Slopes
	s.AMs = 1e3 * envelopePeak(omega, a, -reachMs/1e3, reachMs/1e3)
	later := envelopePeak(omega, between, (aroundMs-reachMs)/1e3, (aroundMs+reachMs)/1e3)
	s.LaterMs = 1e3 * later
	s.BMs = s.AMs + s.LaterMs
	s.SDMs = 1e3 * strays(omega, c, between, later)
	return s
}

// envelopePeak is the τ in from…to with the largest |Σ x·e^{jωτ}|.
func envelopePeak(omega []float64, x []complex128, from, to float64) float64 {
	wide := omega[len(omega)-1] - omega[0]
	if !(wide > 0) || !(to > from) {
		return (from + to) / 2
	}
	const perWidth = 12
	n := min(4096, 2+int((to-from)*wide/(2*math.Pi)*perWidth))
	step := (to - from) / float64(n-1)
	values := make([]float64, n)
	sums := make([]complex128, n)
	for k, z := range x {
		turn, by := z*cmplx.Rect(1, omega[k]*from), cmplx.Rect(1, omega[k]*step)
		for i := range sums {
			sums[i] += turn
			turn *= by
		}
	}
	best := 0
	for i, z := range sums {
		if values[i] = power(z); values[i] > values[best] {
			best = i
		}
	}
	return from + (float64(best)+vertex(values, best))*step
}

// strays is the standard deviation of a delay from what the phase of x, of weight
// c, strays from its line. Neighbours stray alike in a room: the variance counts
// as many times as their correlation says.
func strays(omega, c []float64, x []complex128, tau float64) float64 {
	n := len(omega)
	if n < 4 {
		return math.Inf(1)
	}
	var mean complex128
	weight, middle := 0.0, 0.0
	for k, z := range x {
		mean += z * cmplx.Rect(1, omega[k]*tau)
		weight += c[k]
		middle += c[k] * omega[k]
	}
	middle /= weight
	rest := make([]float64, n)
	power, lever := 0.0, 0.0
	for k, z := range x {
		rest[k] = cmplx.Phase(z*cmplx.Rect(1, omega[k]*tau)*cmplx.Conj(mean)) * c[k] * (omega[k] - middle)
		power += rest[k] * rest[k]
		lever += c[k] * (omega[k] - middle) * (omega[k] - middle)
	}
	alike := 1.0
	for lag := 1; lag < n/2; lag++ {
		r := 0.0
		for k := lag; k < n; k++ {
			r += rest[k] * rest[k-lag]
		}
		if r <= 0.1*power {
			break
		}
		alike += 2 * r / power
	}
	return math.Sqrt(power*alike) / lever
}

// Variances are those of the random errors of A and B at point k, E|Â − A|².
func (p *Pair) Variances(k int) (a, b float64) { return p.a.variance[k], p.b.variance[k] }
