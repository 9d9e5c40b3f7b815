package summation

import (
	"math"
	"math/cmplx"
	"slices"
)

// offset is the delay and sign with the best in-phase sum.
type offset struct {
	tauS, sdS float64
	sign      int
	r, rSD    float64 // p·R(τ) there, and its standard deviation
	other     float64 // the best with the other sign
}

// decided is the sign, or 0 when the other one does nearly as well: within what
// chance can do, or within 5 % of the sum, where phase in a narrow band passes for polarity.
func (o offset) decided() int {
	if o.r-o.other < max(3*o.rSD, 0.05*o.r) {
		return 0
	}
	return o.sign
}

// delaysPerPeriod: the search steps in 1/(8 f_max).
const delaysPerPeriod = 8

// findOffset looks for the τ in ±maxS and the sign p with the largest p·R(τ),
// R(τ) = Σ w·Re(conj(A)·B·e^{jωτ}): everywhere on a grid finer than 1/(8 f_max)
// with up to 192 points an octave, then on all points, then by Newton's method.
func findOffset(pair *Pair, maxS float64) offset {
	x := make([]complex128, len(pair.Weight))
	for k, w := range pair.Weight {
		x[k] = complex(w, 0) * cmplx.Conj(pair.A[k]) * pair.B[k]
	}
	top := pair.FrequencyHz[len(x)-1]
	step := 1 / (delaysPerPeriod * top)
	from, to := pair.window(maxS)
	grid := make([]float64, int(math.Ceil((to-from)/step))+1)
	for _, k := range pair.Cells() {
		addCosine(grid, x[k]/complex(pair.Weight[k], 0), 2*math.Pi*pair.FrequencyHz[k], from, step)
	}
	var best [2]offset // by sign: +1, −1
	for i, sign := range []float64{1, -1} {
		best[i] = offset{sign: int(sign), r: math.Inf(-1)}
		for _, n := range highest(grid, sign, 12) {
			tau := refine(pair.FrequencyHz, x, sign, from+float64(n)*step, step)
			if r := sign * correlation(pair.FrequencyHz, x, tau); r > best[i].r {
				best[i].tauS, best[i].r = tau, r
			}
		}
	}
	o, other := best[0], best[1]
	if other.r > o.r {
		o, other = other, o
	}
	o.other = other.r
	o.spread(pair)
	return o
}

// window is where offsets are looked for: within ±maxS, and within half a
// window of the offset that was compensated, beyond which a frequency grid
// tells one offset from another no more.
func (p *Pair) window(maxS float64) (fromS, toS float64) {
	fromS, toS = -maxS, maxS
	if p.b.window > 0 {
		half := float64(p.b.window) / p.b.rateHz / 2
		fromS, toS = max(fromS, p.b.laterS-half), min(toS, p.b.laterS+half)
	}
	return fromS, max(toS, fromS)
}

// addCosine adds Re(x·e^{jω(t0 + n·step)}) to grid[n].
//
// cos((n+4)δ+φ) = 2 cos 4δ·cos(nδ+φ) − cos((n−4)δ+φ): four recurrences side by
// side, because each waits for its own last result.
func addCosine(grid []float64, x complex128, omega, t0, step float64) {
	const lanes = 4
	c := 2 * math.Cos(lanes*omega*step)
	at := func(n int) float64 { return real(x * cmplx.Rect(1, omega*(t0+float64(n)*step))) }
	n0, n1, n2, n3 := at(0), at(1), at(2), at(3)
	b0, b1, b2, b3 := at(-4), at(-3), at(-2), at(-1)
	for ; len(grid) >= lanes; grid = grid[lanes:] {
		g := grid[:lanes:lanes]
		g[0] += n0
		g[1] += n1
		g[2] += n2
		g[3] += n3
		n0, b0 = c*n0-b0, n0
		n1, b1 = c*n1-b1, n1
		n2, b2 = c*n2-b2, n2
		n3, b3 = c*n3-b3, n3
	}
	for i, v := range []float64{n0, n1, n2}[:len(grid)] {
		grid[i] += v
	}
}

// highest returns the indices of the largest local maxima of sign·grid, at most n.
func highest(grid []float64, sign float64, n int) []int {
	var peaks []int
	for i := range grid {
		if (i == 0 || sign*grid[i] >= sign*grid[i-1]) && (i == len(grid)-1 || sign*grid[i] > sign*grid[i+1]) {
			peaks = append(peaks, i)
		}
	}
	slices.SortFunc(peaks, func(i, j int) int {
		switch a, b := sign*grid[i], sign*grid[j]; {
		case a > b:
			return -1
		case a < b:
			return 1
		}
		return i - j
	})
	return peaks[:min(n, len(peaks))]
}

func correlation(f []float64, x []complex128, tau float64) float64 {
	sum := 0.0
	for k, z := range x {
		sin, cos := math.Sincos(2 * math.Pi * f[k] * tau)
		sum += real(z)*cos - imag(z)*sin
	}
	return sum
}

// refine climbs from tau to the next maximum of sign·R; it stays within a step.
func refine(f []float64, x []complex128, sign, tau, step float64) float64 {
	start := tau
	for range 8 {
		var slope, bend float64
		for k, z := range x {
			omega := 2 * math.Pi * f[k]
			sin, cos := math.Sincos(omega * tau)
			slope -= omega * (real(z)*sin + imag(z)*cos)
			bend -= omega * omega * (real(z)*cos - imag(z)*sin)
		}
		if sign*bend >= 0 {
			break
		}
		next := min(max(tau-slope/bend, start-step), start+step)
		if math.Abs(next-tau) < 1e-12 {
			return next
		}
		tau = next
	}
	return tau
}

// spread sets the standard deviations of τ and R: δR = Re Σ conj(∂R)·N, and
// δτ = −δR'/R”.
func (o *offset) spread(pair *Pair) {
	n := len(pair.Weight)
	ra, rb := make([]complex128, n), make([]complex128, n)
	ta, tb := make([]complex128, n), make([]complex128, n)
	bend := 0.0
	for k, w := range pair.Weight {
		omega := 2 * math.Pi * pair.FrequencyHz[k]
		turn := cmplx.Rect(w, omega*o.tauS)
		a, b := pair.A[k], pair.B[k]
		ra[k], rb[k] = b*turn, a*cmplx.Conj(turn)
		turn *= complex(0, omega) // R' = Σ w·Re(conj(A)·B·jω·e^{jωτ})
		ta[k], tb[k] = b*turn, a*cmplx.Conj(turn)
		bend += omega * real(cmplx.Conj(a)*b*turn*complex(0, 1))
	}
	o.rSD = math.Sqrt(pair.a.spread(ra) + pair.b.spread(rb))
	o.sdS = math.Sqrt(pair.a.spread(ta)+pair.b.spread(tb)) / math.Abs(bend)
}
