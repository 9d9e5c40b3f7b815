package summation

import (
	"cmp"
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

// mostTops of the grid, as long as they come near the highest, are compared on
// all points, and the finest of them climbed.
const (
	mostTops, finestTops = 12, 3
	nearTop              = 0.7
)

// findOffset looks for the τ in ±maxS and the sign p with the largest p·R(τ),
// R(τ) = Σ w·Re(conj(A)·B·e^{jωτ}): everywhere on a grid finer than 1/(8 f_max)
// with up to 192 points an octave, then on all points, then by Newton's method.
// One that is known is taken as it is, and compared with the best of the other
// sign.
func findOffset(pair *Pair, maxS float64, known *Offset) offset {
	o := searchOffset(pair, maxS, known)
	o.spread(pair)
	if known != nil {
		o.spreadAligned(pair)
	}
	return o
}

// Offset is the delay within ±maxMs and the sign with the best in-phase sum.
func (p *Pair) Offset(maxMs float64) Offset {
	o := searchOffset(p, maxMs/1e3, nil)
	return Offset{Ms: o.tauS * 1e3, Sign: o.sign}
}

// searchOffset is findOffset without the standard deviations.
func searchOffset(pair *Pair, maxS float64, known *Offset) offset {
	x := make([]complex128, len(pair.Weight))
	for k, w := range pair.Weight {
		x[k] = complex(w, 0) * cmplx.Conj(pair.A[k]) * pair.B[k]
	}
	top := pair.FrequencyHz[len(x)-1]
	step := 1 / (delaysPerPeriod * top)
	from, to := pair.window(maxS)
	cells := pair.Cells()
	f, y := make([]float64, len(cells)), make([]complex128, len(cells))
	for i, k := range cells {
		f[i], y[i] = pair.FrequencyHz[k], x[k]/complex(pair.Weight[k], 0)
	}
	grid, step := correlations(f, y, from, to, step)
	var best [2]offset // by sign: +1, −1
	for i, sign := range []float64{1, -1} {
		best[i] = offset{sign: int(sign), r: math.Inf(-1)}
		var tops [mostTops]struct{ tau, r float64 }
		found := 0
		list := highest(grid, sign, mostTops)
		for _, n := range list {
			if sign*grid[n] < nearTop*sign*grid[list[0]] {
				break
			}
			tau := from + (float64(n)+vertex(grid, n))*step
			tops[found].tau, tops[found].r = tau, sign*correlation(pair.FrequencyHz, x, tau)
			found++
		}
		slices.SortFunc(tops[:found], func(a, b struct{ tau, r float64 }) int { return cmp.Compare(b.r, a.r) })
		for _, top := range tops[:min(found, finestTops)] {
			tau := refine(pair.FrequencyHz, x, sign, top.tau, step)
			if r := sign * correlation(pair.FrequencyHz, x, tau); r > best[i].r {
				best[i].tauS, best[i].r = tau, r
			}
		}
	}
	o, other := best[0], best[1]
	if known != nil && known.Sign < 0 || known == nil && other.r > o.r {
		o, other = other, o
	}
	if known != nil {
		o.tauS = known.Ms / 1e3
		o.r = float64(o.sign) * correlation(pair.FrequencyHz, x, o.tauS)
	}
	o.other = other.r
	return o
}

// window is where offsets are looked for: within ±maxS, and within half a
// window of the offset that was compensated, beyond which a frequency grid
// tells one offset from another no more.
func (p *Pair) window(maxS float64) (fromS, toS float64) {
	fromS, toS = -maxS, maxS
	if p.of.Window > 0 {
		half := float64(p.of.Window) / p.of.SampleRateHz / 2
		fromS, toS = max(fromS, p.laterS-half), min(toS, p.laterS+half)
	}
	return fromS, max(toS, fromS)
}

// correlations are Σ Re(x·e^{jωt}) at equally spaced t from fromS to toS, no
// farther apart than step; f ascends. A low octave changes slowly with the
// delay, so each is summed on its own grid, twice as coarse as the next higher
// one's, and interpolated.
func correlations(f []float64, x []complex128, fromS, toS, step float64) (grid []float64, stepS float64) {
	top := f[len(f)-1]
	steps := max(1, int(math.Ceil((toS-fromS)/step)))
	octaves := int(math.Log2(top / f[0]))
	for octaves > 0 && steps>>octaves < 8 {
		octaves--
	}
	unit := 1 << octaves
	steps = (steps + unit - 1) / unit * unit
	stepS = (toS - fromS) / float64(steps)
	grid = make([]float64, steps+1)
	k := 0
	for o := octaves; o >= 0; o-- {
		part := grid[:steps>>o+1]
		if o < octaves {
			Double(part)
		}
		for edge := math.Ldexp(top, -o); k < len(f) && (o == 0 || f[k] <= edge); k++ {
			addCosine(part, x[k], 2*math.Pi*f[k], fromS, math.Ldexp(stepS, o))
		}
	}
	return grid, stepS
}

// Double spreads the first half of equally spaced samples, x[:len(x)/2+1], over
// all of x, whose length is odd, and fills in between with cubic interpolation.
func Double(x []float64) {
	n := len(x)/2 + 1
	for i := n - 1; i > 0; i-- {
		x[2*i] = x[i]
	}
	last := len(x) - 1
	for i := 1; i < last; i += 2 {
		a, d := max(i-3, 0), min(i+3, last)
		x[i] = (9*(x[i-1]+x[i+1]) - x[a] - x[d]) / 16
	}
}

// vertex is where the parabola through point n and its neighbours turns, −½…½
// of a step from n.
func vertex(grid []float64, n int) float64 {
	if n == 0 || n == len(grid)-1 {
		return 0
	}
	bend := grid[n-1] - 2*grid[n] + grid[n+1]
	if bend == 0 {
		return 0
	}
	return min(max((grid[n-1]-grid[n+1])/(2*bend), -0.5), 0.5)
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
	turn := turner{tau: tau}
	for k, z := range x {
		turn.to(f[k])
		sum += real(z)*real(turn.z) - imag(z)*imag(turn.z)
	}
	return sum
}

// turner makes e^{j2πfτ} for ascending f. Where these are evenly spaced, as the
// lines of a window are, one is the product of the last and a constant.
type turner struct {
	tau   float64
	f     float64
	z     complex128
	apart float64
	by    complex128 // the turn over apart
	n     int        // products since the last sine
}

func (t *turner) to(f float64) {
	apart := f - t.f
	t.f = f
	if math.Abs(apart-t.apart) <= 1e-12*f && t.n < 64 {
		t.z *= t.by
		t.n++
		return
	}
	t.z = cmplx.Rect(1, 2*math.Pi*f*t.tau)
	t.n = 0
	if apart != t.apart {
		t.apart, t.by = apart, cmplx.Rect(1, 2*math.Pi*apart*t.tau)
	}
}

// refine climbs from tau to the next maximum of sign·R; it stays within a step.
func refine(f []float64, x []complex128, sign, tau, step float64) float64 {
	start := tau
	for range 8 {
		var slope, bend float64
		turn := turner{tau: tau}
		for k, z := range x {
			omega := 2 * math.Pi * f[k]
			turn.to(f[k])
			cos, sin := real(turn.z), imag(turn.z)
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
	turns := turner{tau: o.tauS}
	for k, w := range pair.Weight {
		omega := 2 * math.Pi * pair.FrequencyHz[k]
		turns.to(pair.FrequencyHz[k])
		turn := complex(w, 0) * turns.z
		a, b := pair.A[k], pair.B[k]
		ra[k], rb[k] = b*turn, a*cmplx.Conj(turn)
		turn *= complex(0, omega) // R' = Σ w·Re(conj(A)·B·jω·e^{jωτ})
		ta[k], tb[k] = b*turn, a*cmplx.Conj(turn)
		bend += omega * real(cmplx.Conj(a)*b*turn*complex(0, 1))
	}
	for _, g := range [][]complex128{ra, ta} {
		pair.a.whiten(g)
	}
	for _, g := range [][]complex128{rb, tb} {
		pair.b.whiten(g)
	}
	o.rSD = math.Sqrt(pair.near.variance(ra) + pair.near.variance(rb))
	o.sdS = math.Sqrt(pair.near.variance(ta)+pair.near.variance(tb)) / math.Abs(bend)
}

// spreadAligned sets the standard deviation of a τ that an alignment has found:
// the maximum of Σ w·h(θ), h(θ) = ln(1 + c·cos θ), θ the phase of B against A less
// ωτ and c as in its efficiency. δτ = −Σ w·ω·h”·δθ/Σ w·ω²·h”. Only the points of the
// cells have a weight w.
func (o *offset) spreadAligned(pair *Pair) {
	n := len(pair.Weight)
	ta, tb := make([]complex128, n), make([]complex128, n)
	bend := 0.0
	weight := make([]float64, n)
	for _, k := range pair.Cells() {
		weight[k]++
	}
	turns := turner{tau: o.tauS}
	for k, w := range weight {
		omega := 2 * math.Pi * pair.FrequencyHz[k]
		turns.to(pair.FrequencyHz[k])
		a, b := pair.A[k], pair.B[k]
		pa, pb := power(a), power(b)
		c := 2 * math.Sqrt(pa*pb) / (pa + pb)
		cos := float64(o.sign) * real(cmplx.Conj(a)*b*turns.z) / math.Sqrt(pa*pb)
		den := max(0.05, 1+c*cos) // a cell that cancels has no say of its own
		h := -c * (c + cos) / (den * den)
		bend += w * omega * omega * h
		// δθ = Im(δB/B) − Im(δA/A), and Im(δ/z) = Re(conj(jz/|z|²)·δ).
		ta[k], tb[k] = scaled(complex(0, 1)*a, -w*omega*h/pa), scaled(complex(0, 1)*b, w*omega*h/pb)
	}
	pair.a.whiten(ta)
	pair.b.whiten(tb)
	o.sdS = math.Sqrt(pair.near.variance(ta)+pair.near.variance(tb)) / math.Abs(bend)
}
