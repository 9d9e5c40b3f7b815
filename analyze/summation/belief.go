package summation

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

// Belief is what is known of the two responses of a pair, point by point: what their
// own measurement says and, as far as noise leaves that open, what lies around. All
// have the length and the axis of the pair. Without noise A and B are the pair's and
// the rest is 0.
type Belief struct {
	A, B       []complex128 // expected
	VarA, VarB []float64    // E|A − expected|²
	Cross      []complex128 // E[δA·conj(δB)]
	Clear      bool         // there is no noise that matters

	alongA, alongB complex128 // correlation of a point's deviate with that of the next
}

// clearly is the noise over the signal, as powers, below which a measurement is taken as it is.
const clearly = 1e-3

// enough is the relative standard deviation of a level over the surroundings with
// which these are wide enough; if none is, the widest are taken.
const enough = 0.2

// Surroundings of fewer than mostPoints are too few to know means and powers from, and a
// pair of fewer than leastPoints has none: there each point stands for itself.
const mostPoints, leastPoints = 60, 600

// Belief weighs each point against its surroundings. Over these, A and B with the
// offset o taken out are taken as complex normal deviates: with the means that are
// found there, which are the direct sound, and, less the noise, the powers S_A, S_B
// and the cross-power X about them. With C their covariance and V the variances of
// the noise, what is expected is the mean and K times what (Â, B̂) is off it,
// K = C(C + V)⁻¹, and what remains unknown has the covariance K·V (linear minimum mean
// square error, Wiener's filter, as in Kay, Fundamentals of Statistical Signal
// Processing: Estimation Theory, ch. 12).
func (p *Pair) Belief(o Offset) *Belief {
	n := len(p.FrequencyHz)
	b := &Belief{
		A: make([]complex128, n), B: make([]complex128, n), Cross: make([]complex128, n),
		VarA: make([]float64, n), VarB: make([]float64, n), Clear: p.Clear(),
	}
	copy(b.A, p.A)
	if copy(b.B, p.B); b.Clear {
		return b
	}
	turns := make([]complex128, n)
	turn := turner{tau: o.Ms / 1e3}
	for k, f := range p.FrequencyHz {
		turn.to(f)
		turns[k] = scaled(turn.z, float64(o.Sign))
		b.B[k] *= turns[k]
	}
	around := make([]windows, len(surroundings))
	for i, octaves := range surroundings {
		around[i] = newWindows(p.FrequencyHz, octaves)
	}
	use := usual(around[0], p.a.variance)
	for k, u := range usual(around[0], p.b.variance) {
		use[k] *= u
	}
	meanA, meanB := direct(around, use, b.A, p.a.variance), direct(around, use, b.B, p.b.variance)
	// Running sums of use times what is wanted about a point, so that those of any
	// surroundings are a difference.
	type moments struct{ count, a, b, re, im, noiseA, noiseB float64 }
	upTo := make([]moments, n+1)
	for k, u := range use {
		va, vb := p.a.variance[k], p.b.variance[k]
		da, db := b.A[k]-meanA[k], b.B[k]-meanB[k]
		x := da * cmplx.Conj(db)
		last := &upTo[k]
		upTo[k+1] = moments{
			last.count + u, last.a + u*(power(da)-va), last.b + u*(power(db)-vb), last.re + u*real(x), last.im + u*imag(x),
			last.noiseA + u*(va*va), last.noiseB + u*(vb*vb),
		}
	}
	b.alongA, b.alongB = p.along(use, b.A, meanA, &p.a), p.along(use, b.B, meanB, &p.b)
	done := make([]bool, n)
	for i, w := range around {
		last, left := i == len(around)-1, false
		for k := range n {
			if done[k] {
				continue
			}
			to, from := &upTo[w.to[k]], &upTo[w.from[k]]
			count, a, c := to.count-from.count, to.a-from.a, to.b-from.b
			all := max(count, 1)
			levelA, levelB := a+all*power(meanA[k]), c+all*power(meanB[k])
			told := count >= mostPoints && levelA > 0 && levelB > 0 &&
				alikeNeighbours*max((to.noiseA-from.noiseA)/(levelA*levelA), (to.noiseB-from.noiseB)/(levelB*levelB)) < enough*enough
			if !told && !last {
				left = true
				continue
			}
			done[k] = true
			b.weigh(p, k, meanA[k], meanB[k], a/all, c/all, complex((to.re-from.re)/all, (to.im-from.im)/all))
		}
		if !left {
			break
		}
	}
	for k, turn := range turns {
		b.B[k] *= cmplx.Conj(turn)
		b.Cross[k] *= turn
	}
	return b
}

// direct is the mean of h over the surroundings: where sound arrives at 0, what
// arrives there. It is 0 where noise may have made it.
func direct(around []windows, use []float64, h []complex128, variance []float64) []complex128 {
	out := make([]complex128, len(h))
	done := make([]bool, len(h))
	type moments struct{ count, re, im, noise float64 }
	upTo := make([]moments, len(h)+1)
	for k, u := range use {
		last := &upTo[k]
		upTo[k+1] = moments{last.count + u, last.re + u*real(h[k]), last.im + u*imag(h[k]), last.noise + u*variance[k]}
	}
	for _, w := range around {
		left := false
		for k := range h {
			if done[k] {
				continue
			}
			to, from := &upTo[w.to[k]], &upTo[w.from[k]]
			count := to.count - from.count
			if count == 0 {
				continue
			}
			z := complex((to.re-from.re)/count, (to.im-from.im)/count)
			// Lines of a Hann window: amplitudes go together more than powers do.
			if power(z) > meansMore*2*(to.noise-from.noise)/(count*count) {
				out[k], done[k] = z, true
			} else {
				left = true
			}
		}
		if !left {
			break
		}
	}
	return out
}

// along is the correlation of what a line of a window is off the mean with that of the
// next, less what the noise has: a room that rings shorter than the window makes
// neighbours alike.
func (p *Pair) along(use []float64, h, mean []complex128, e *noise) complex128 {
	if p.of.Window == 0 {
		return 0
	}
	const neighbour = 4. / 9 // of noise under a Hann window
	line := 1.5 * p.of.SampleRateHz / float64(p.of.Window)
	var sum complex128
	level := 0.0
	for k := 1; k < len(h); k++ {
		if use[k-1] == 0 || use[k] == 0 || p.FrequencyHz[k]-p.FrequencyHz[k-1] > line {
			continue
		}
		d, last := h[k]-mean[k], h[k-1]-mean[k-1]
		sum += last*cmplx.Conj(d) - complex(neighbour*math.Sqrt(e.variance[k]*e.variance[k-1]), 0)
		level += power(d) - e.variance[k]
	}
	const most = 0.97
	if level <= 0 {
		return 0
	}
	r := sum / complex(level, 0)
	if size := cmplx.Abs(r); size > most {
		r *= complex(most/size, 0)
	}
	return r
}

// meansMore is how many times the power that noise gives to a mean it must have.
const meansMore = 6

// weigh sets point k, with B turned, from what its surroundings have: means, powers
// and cross-power.
func (b *Belief) weigh(p *Pair, k int, meanA, meanB complex128, sa, sb float64, x complex128) {
	va, vb := p.a.variance[k], p.b.variance[k]
	sa, sb = max(sa, 1e-3*va), max(sb, 1e-3*vb)
	if most := 0.998 * sa * sb; power(x) > most {
		x = scaled(x, math.Sqrt(most/power(x)))
	}
	det := (sa+va)*(sb+vb) - power(x)
	if !(det > 0) {
		return
	}
	ka, kb := 1-va*(sb+vb)/det, 1-vb*(sa+va)/det
	fromB, fromA := scaled(x, va/det), scaled(cmplx.Conj(x), vb/det)
	a, c := b.A[k]-meanA, b.B[k]-meanB
	b.A[k] = meanA + scaled(a, ka) + fromB*c
	b.B[k] = meanB + scaled(c, kb) + fromA*a
	b.VarA[k], b.VarB[k] = ka*va, kb*vb
	b.Cross[k] = scaled(fromB, vb)
}

// Clear says whether noise does not matter, or too few points are there to weigh it.
func (p *Pair) Clear() bool {
	if len(p.Weight) < leastPoints {
		return true
	}
	var a, b float64
	for k, w := range p.Weight {
		a += w * power(p.A[k])
		b += w * power(p.B[k])
	}
	return p.a.mean(p.Weight) < clearly*a && p.b.mean(p.Weight) < clearly*b
}

// Deviates are random errors of a pair's responses like those of its measurement.
// They keep scratch: one goroutine at a time.
type Deviates struct {
	pair   *Pair
	normal func() float64
	white  []complex128
}

// NewDeviates draws from normal, deviates of mean 0 and variance 1.
func (p *Pair) NewDeviates(normal func() float64) *Deviates {
	return &Deviates{p, normal, make([]complex128, len(p.FrequencyHz))}
}

// Again sets dst to a pair with the responses a and b and new random errors.
func (d *Deviates) Again(dst *Pair, a, b []complex128) {
	p := d.pair
	A, B, va, vb := dst.A, dst.B, dst.a.variance, dst.b.variance
	*dst = *p
	dst.A = d.add(A, a, &p.a)
	dst.B = d.add(B, b, &p.b)
	dst.a.variance, dst.b.variance = d.estimate(va, &p.a), d.estimate(vb, &p.b)
}

// add sets dst to h and errors.
func (d *Deviates) add(dst, h []complex128, e *noise) []complex128 {
	if cap(dst) < len(h) {
		dst = make([]complex128, len(h))
	}
	dst = dst[:len(h)]
	for k := range d.white {
		d.white[k] = complex(d.normal(), d.normal())
	}
	f := d.pair.FrequencyHz
	for k, z := range h {
		sum, total := d.white[k], 1.0
		if w := d.pair.of.Window; w > 0 {
			line := d.pair.of.SampleRateHz / float64(w)
			sum = scaled(sum, tap0)
			total = tap0 * tap0
			for i, t := range [...]float64{tap1, tap2} {
				if m := k + i + 1; m < len(f) && f[m]-f[k] < line*(float64(i)+1.5) {
					sum += scaled(d.white[m], t)
					total += t * t
				}
			}
		} else {
			for _, step := range [...]int{1, -1} {
				for m := k + step; m >= 0 && m < len(f); m += step {
					// The square of a normal curve is that under which white noise has it.
					r := square(response.ErrorCorrelation(f[k], math.Abs(f[m]-f[k]), 0, d.pair.of.SampleRateHz))
					if r < 0.02 {
						break
					}
					sum += scaled(d.white[m], r)
					total += r * r
				}
			}
		}
		dst[k] = z + scaled(sum, math.Sqrt(e.variance[k]/(2*total)))
	}
	return dst
}

// Lines of a Hann window are correlated by 1, 4/9 and 1/36: white noise under these
// three taps is (Σt² = 1, t₀t₁ + t₁t₂ = 4/9, t₀t₂ = 1/36).
const tap0, tap1, tap2 = 0.8684, 0.4945, 0.0320

// estimate sets dst to what would have been found for the variances.
func (d *Deviates) estimate(dst []float64, e *noise) []float64 {
	dst = dst[:0]
	for k, v := range e.variance {
		dst = append(dst, v*max(0.05, 1+d.normal()/math.Sqrt(e.freedom[k])))
	}
	return dst
}

// Draw sets a and b to responses as they may be by what is believed.
func (b *Belief) Draw(a, c []complex128, normal func() float64) {
	if b.Clear {
		copy(a, b.A)
		copy(c, b.B)
		return
	}
	var za, zb complex128
	next := func(z, along complex128, first bool) complex128 {
		w := complex(normal(), normal())
		if first {
			return w
		}
		return cmplx.Conj(along)*z + scaled(w, math.Sqrt(1-power(along)))
	}
	for k := range a {
		za, zb = next(za, b.alongA, k == 0), next(zb, b.alongB, k == 0)
		va, vb := b.VarA[k], b.VarB[k]
		if !(va > 0 && vb > 0) {
			a[k], c[k] = b.A[k]+scaled(za, math.Sqrt(va/2)), b.B[k]+scaled(zb, math.Sqrt(vb/2))
			continue
		}
		// δB = conj(X)/va·δA and what is left of its variance.
		da := scaled(za, math.Sqrt(va/2))
		left := max(0, vb-power(b.Cross[k])/va)
		a[k] = b.A[k] + da
		c[k] = b.B[k] + cmplx.Conj(b.Cross[k])*da/complex(va, 0) + scaled(zb, math.Sqrt(left/2))
	}
}

// Exactly is the belief that the responses are a and b.
func Exactly(a, b []complex128) *Belief {
	n := len(a)
	return &Belief{A: a, B: b, VarA: make([]float64, n), VarB: make([]float64, n), Cross: make([]complex128, n), Clear: true}
}
