package summation

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

// noise describes the random error of one response: a circular complex normal
// deviate at every point, with the variance that the coherence says, correlated
// between neighbours because a window smears them.
type noise struct {
	variance []float64    // E|Ĥ − H|²
	freedom  []float64    // averages less one: of the variance, which is estimated
	turn     []complex128 // compensation put back: the deviates turn with it; nil for none
}

// add appends point k.
func (e *noise) add(s *response.Spectra, k int) {
	e.variance = append(e.variance, s.Variance(k))
	e.freedom = append(e.freedom, s.EffectiveAverages[k]-1)
}

// mean is the expected weighted power of the deviates.
func (e *noise) mean(weight []float64) float64 {
	sum := 0.0
	for k, w := range weight {
		sum += w * e.variance[k]
	}
	return sum
}

// whiten turns the gradient g of a real quantity with respect to the response,
// δ = Re Σ conj(g_k)·N_k, into that with respect to deviates of variance 1.
func (e *noise) whiten(g []complex128) {
	for k, v := range e.variance {
		z := g[k]
		if e.turn != nil {
			z *= cmplx.Conj(e.turn[k])
		}
		g[k] = scaled(z, math.Sqrt(v))
	}
}

// neighbours are the correlations of the random error at each point with those
// at the points after it, as far as they count: r[from[i]:from[i+1]] of point i.
type neighbours struct {
	from []int
	r    []float64
}

func (n *neighbours) of(i int) []float64 { return n.r[n.from[i]:n.from[i+1]] }

// covariance of two real quantities with these gradients: half of
// Σ Re(conj(g_i)·h_j)·r_ij.
func (n *neighbours) covariance(g, h []complex128) float64 {
	sum := 0.0
	for i, gi := range g {
		hi := h[i]
		sum += real(gi)*real(hi) + imag(gi)*imag(hi)
		for m, r := range n.of(i) {
			gj, hj := g[i+1+m], h[i+1+m]
			sum += r * (real(gi)*real(hj) + imag(gi)*imag(hj) + real(hi)*real(gj) + imag(hi)*imag(gj))
		}
	}
	return sum / 2
}

// powers is the variance of the sum of the deviates' own powers, each of that mean:
// Σ p_i·p_j·r_ij², r² being the correlation of squares of normal deviates.
func (n *neighbours) powers(p []float64) float64 {
	sum := 0.0
	for i, pi := range p {
		sum += pi * pi
		for m, r := range n.of(i) {
			sum += 2 * r * r * pi * p[i+1+m]
		}
	}
	return sum
}

// variance is the covariance of a quantity with itself.
func (n *neighbours) variance(g []complex128) float64 { return max(0, n.covariance(g, g)) }

func newNeighbours(frequencyHz []float64, window int, rateHz float64) *neighbours {
	n := &neighbours{from: make([]int, 1, len(frequencyHz)+1)}
	if window > 0 {
		n.r = make([]float64, 0, 2*len(frequencyHz))
	}
	for i, f := range frequencyHz {
		for _, g := range frequencyHz[i+1:] {
			r := response.ErrorCorrelation(f, g-f, window, rateHz)
			if r < 1e-3 {
				break
			}
			n.r = append(n.r, r)
		}
		n.from = append(n.from, len(n.r))
	}
	return n
}
