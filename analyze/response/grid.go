package response

import "math"

// The multi-resolution grid. A point at f wants a window of periodsWanted/f. The
// windows there are double from one to the next, so its spectra are blended
// from the two nearest, linearly in the logarithm of the length: nothing jumps
// where one window takes over from another. Within a window the bins about f are
// averaged by a kernel as wide as the resolution that goes with the window wanted,
// which keeps those reflections out that the window in use, longer by up to twice
// and never shorter than 43 ms, would let in.
//
// What the estimate keeps of a reflection that is τ late is the lag response of
// window and kernel, for a Hann window of length T (Seybert and Hamilton,
// J. Sound Vib. 60(1), 1978, for the first factor) and a resolution of B
//
//	g(τ/T) · sinc²(τ·√(B²−1/T²)) · sinc²(τ/T),  g(x) = (1−x)(2+cos 2πx)/3 + sin(2πx)/2π
//
// the last being the interpolation between bins. It is 1 for what arrives with
// the delay, and gone at τ = 1/B: a reflection from 20 ms on is gone above the
// frequency that has 24 periods in that time. An earlier one is gone above that
// which has 48: B does not follow f all the way, since a delay that is set by hand
// and off by some milliseconds must not cost the highs.
//
// That holds for noise. Whatever is played, the bins' spectral windows are laid over
// finer lines, which count alike (late, trust).
const (
	pointsPerOctave = 48
	periodsWanted   = 24
	wantedLeastS    = 0.02 // the shortest window that is wanted
	shortestSamples = 2048 // at 48 kHz
	windowLengths   = 6    // 2048…65536 at 48 kHz
	longSize        = 256  // transform of all but the shortest window, at a lower rate
)

type grid struct {
	frequencyHz []float64
	points      []point
}

// point says how a point of the grid is made of bins.
type point struct {
	parts [2]part // of neighbouring windows; the second may have no share
	rho   float64 // correlation of the two
}

type part struct {
	band  int
	share float64 // of the blend; both shares add up to 1
	first int     // index of the first bin, from the band's low
	bins  []float64
	gain  float64 // averages the point is worth, per average of a bin
	late  int     // index among the points of the band's late
}

// shortestWindow is the power of two that lasts nearest to 2048 samples at 48 kHz.
func shortestWindow(rateHz float64) int {
	return 1 << int(math.Round(math.Log2(shortestSamples*rateHz/48000)))
}

func newGrid(cfg *Config) (*grid, []*band) {
	shortest := shortestWindow(cfg.SampleRateHz)
	g := &grid{}
	limit := min(20000, 0.46*cfg.SampleRateHz)
	for k := int(math.Ceil(pointsPerOctave * math.Log2(20.0/1000))); ; k++ {
		f := 1000 * math.Exp2(float64(k)/pointsPerOctave)
		if f > limit {
			break
		}
		g.frequencyHz = append(g.frequencyHz, f)
	}
	g.points = make([]point, len(g.frequencyHz))
	// First which bins each window must have, then the windows.
	var low, high [windowLengths]int
	for p, f := range g.frequencyHz {
		l := math.Log2(periodsWanted * cfg.SampleRateHz / f / float64(shortest))
		l = min(max(l, 0), windowLengths-1)
		i := min(int(l), windowLengths-2)
		for side, share := range [2]float64{float64(i+1) - l, l - float64(i)} {
			w := i + side
			pt := &g.points[p].parts[side]
			pt.band, pt.share = w, share
			if share == 0 {
				continue
			}
			pt.first, pt.bins = kernel(f, cfg.SampleRateHz/float64(shortest<<w))
			if high[w] == 0 {
				low[w] = pt.first
			}
			high[w] = max(high[w], pt.first+len(pt.bins))
		}
	}
	bands := make([]*band, windowLengths)
	for w := range bands {
		size, decimation := shortest, 1
		if w > 0 {
			size, decimation = longSize, shortest<<w/longSize
		}
		bands[w] = newBand(cfg, size, cfg.hop(size), decimation, low[w], high[w])
	}
	for p := range g.points {
		for side := range g.points[p].parts {
			g.points[p].parts[side].first -= low[g.points[p].parts[side].band]
		}
	}
	g.effect(bands)
	return g, bands
}

// resolution is one over the window that is wanted at f, but at high frequency
// what the points of the grid, 1/48 octave apart, need to miss nothing.
func resolution(f float64) float64 {
	return max(min(f/periodsWanted, 1/wantedLeastS), f/pointsPerOctave)
}

// kernel is the weights of the bins about f, of sum 1 and mean f. Between bins
// the spectrum is taken as linear, and that is averaged by a triangle, so wide
// that both together spread like one whose half width is the resolution.
func kernel(f, spacing float64) (first int, weights []float64) {
	wanted := resolution(f)
	half := math.Sqrt(max(0, wanted*wanted-spacing*spacing))
	hat := func(x float64) float64 { return max(0, 1-math.Abs(x)/spacing) }
	if half > spacing/1000 {
		// The second derivative of a triangle is three impulses, so two triangles
		// convolved are second differences of |x|³/12.
		second := func(g func(float64) float64, x, d float64) float64 {
			return (g(x-d) - 2*g(x) + g(x+d)) / (d * d)
		}
		cube := func(x float64) float64 { return math.Abs(x*x*x) / 12 }
		hat = func(x float64) float64 {
			inner := func(x float64) float64 { return second(cube, x, spacing) }
			return max(0, spacing*second(inner, x, half))
		}
	}
	first = int(math.Floor((f-half)/spacing-1)) + 1
	sum := 0.0
	for k := first; float64(k)*spacing < f+half+spacing; k++ {
		w := hat(float64(k)*spacing - f)
		weights = append(weights, w)
		sum += w
	}
	for i := range weights {
		weights[i] /= sum
	}
	return first, weights
}

// effect works out what each point is worth. Two estimates of a density have
// the covariance of the overlap of their spectral windows: within a window
// length summed over the segments that are there, between two lengths in the
// limit of dense segments, ∫|W(f)|²|W'(f)|² df.
func (g *grid) effect(bands []*band) {
	within := make([][]float64, len(bands))
	for w, b := range bands {
		within[w] = b.leakage()
	}
	between := crossLeakage()
	at := func(table []float64, d int) float64 {
		if d = max(d, -d); d < len(table) {
			return table[d]
		}
		return 0
	}
	for p := range g.points {
		pt := &g.points[p]
		var own [2]float64
		for side := range pt.parts {
			q := &pt.parts[side]
			table := within[q.band]
			for i, v := range q.bins {
				for j, w := range q.bins {
					own[side] += v * w * at(table, i-j)
				}
			}
			if own[side] > 0 {
				q.gain = table[0] / own[side]
			}
		}
		short, long := &pt.parts[0], &pt.parts[1]
		if short.share == 0 || long.share == 0 {
			continue
		}
		cross := 0.0
		for i, v := range long.bins {
			for j, w := range short.bins {
				k := long.first + bands[long.band].low + i
				l := short.first + bands[short.band].low + j
				cross += v * w * at(between, k-2*l)
			}
		}
		// Seconds that an independent average takes: hop times the sum over pairs.
		seconds := func(side int) float64 {
			b := bands[pt.parts[side].band]
			return own[side] * float64(b.hop) / b.rateHz
		}
		b := bands[long.band]
		pt.rho = cross * float64(b.size) / b.rateHz / math.Sqrt(seconds(0)*seconds(1))
	}
}

// leakage is Σ_j |κ(j, d)|² over all hops j for bins d apart: κ is the
// correlation of the spectra of white noise in two segments j hops apart.
func (b *band) leakage() []float64 {
	const reach = 6
	table := make([]float64, reach)
	energy := 0.0
	for _, w := range b.window {
		energy += w * w
	}
	for d := range table {
		for shift := 0; shift < b.size; shift += b.hop {
			re, im := 0.0, 0.0
			for i, w := range b.window[shift:] {
				sin, cos := math.Sincos(2 * math.Pi * float64(i*d%b.size) / float64(b.size))
				re += w * b.window[i] * cos
				im += w * b.window[i] * sin
			}
			square := (re*re + im*im) / (energy * energy)
			if shift > 0 {
				square *= 2
			}
			table[d] += square
		}
	}
	return table
}

// hannPower is |W|² of a Hann window x bins from its middle, where it is 1.
func hannPower(x float64) float64 {
	switch x = math.Abs(x); {
	case x == 0:
		return 1
	case x == 1:
		return 0.25
	}
	w := math.Sin(math.Pi*x) / (math.Pi * x) / (1 - x*x)
	return w * w
}

// crossLeakage is ∫|W(x)|²|W((x−u)/2)|² dx / (E E') for a Hann window and one of
// half the length whose bins lie u = 0, 1, … bins of the longer away.
func crossLeakage() []float64 {
	const reach, step = 10, 1.0 / 16
	table := make([]float64, reach)
	for u := range table {
		for x := -16.0; x <= 16; x += step {
			table[u] += hannPower(x) * hannPower((x-float64(u))/2) * step
		}
		table[u] /= 1.5 * 3 // the noise bandwidths of both, in bins of the longer
	}
	return table
}

// read fills dst with the blended spectra.
func (g *grid) read(dst *Spectra, bands []*band, lates []*late, mic int) {
	for _, l := range lates {
		if l != nil {
			l.judge(mic)
		}
	}
	for p := range g.points {
		pt := &g.points[p]
		var gxx, gyy, shares float64
		var gxy complex128
		var worth [2]float64 // averages of each part
		var by [2]estimate   // each part by its lines, or else by its bins
		even := false
		for side := range pt.parts {
			q := &pt.parts[side]
			if q.share == 0 {
				continue
			}
			b := bands[q.band]
			xx, yy, xy, inverse, covered := b.blend(q, mic)
			if covered == 0 {
				continue
			}
			of := b
			worth[side] = q.gain * covered / inverse
			if inverse >= covered {
				worth[side] = 1 // one segment is no measurement, however many bins
			}
			if l := lates[q.band]; l != nil {
				if by[side] = l.mics[mic].even[q.late]; by[side].ok {
					even = true
					of = l.band
				} else if l.period > 0 { // nothing is known between its lines
					worth[side] = 0
					continue
				} else {
					worth[side] = 1 / l.widen(mic, q.late, 1/worth[side], xx, yy, xy)
				}
			}
			turn := complex(1, 0)
			if radians := of.residual(dst.DelayS, mic); radians != 0 {
				sin, cos := math.Sincos(radians * dst.FrequencyHz[p] * float64(of.size) / of.rateHz)
				turn = complex(cos, sin)
			}
			xy *= turn
			if e := &by[side]; e.ok {
				e.h *= turn
			} else if xx > 0 && worth[side] > 1 {
				*e = estimate{h: xy / complex(xx, 0), unexplained: yy/xx - (real(xy)*real(xy)+imag(xy)*imag(xy))/(xx*xx)}
				e.variance = e.unexplained / (worth[side] - 1)
			}
			share := q.share
			shares += share
			gxx += share * xx
			gyy += share * yy
			gxy += complex(share*real(xy), share*imag(xy))
		}
		dst.Gxx[p], dst.Gyy[p], dst.Gxy[p], dst.EffectiveAverages[p] = 0, 0, 0, 0
		if shares == 0 || gxx == 0 {
			continue
		}
		gxx /= shares
		dst.Gxx[p], dst.Gyy[p], dst.Gxy[p] = gxx, gyy/shares, complex(real(gxy)/shares, imag(gxy)/shares)
		dst.EffectiveAverages[p] = pt.averages(worth)
		if even {
			e := pt.blend(&by)
			dst.Gxy[p] = complex(gxx*real(e.h), gxx*imag(e.h))
			dst.Gyy[p] = gxx * (real(e.h)*real(e.h) + imag(e.h)*imag(e.h) + e.unexplained)
			dst.EffectiveAverages[p] = 1 + e.unexplained/e.variance
		}
	}
}

// blend is what both parts' estimates make; the lines are the same room's, so
// their errors are taken to go together.
func (pt *point) blend(by *[2]estimate) (e estimate) {
	var deviation, sum float64
	for side := range by {
		if part := &by[side]; part.unexplained > 0 {
			share := pt.parts[side].share
			sum += share
			e.h += complex(share*real(part.h), share*imag(part.h))
			e.unexplained += share * part.unexplained
			deviation += share * math.Sqrt(part.variance)
		}
	}
	e.h = complex(real(e.h)/sum, imag(e.h)/sum)
	e.unexplained /= sum
	e.variance = deviation * deviation / (sum * sum)
	return e
}

// averages is what the blend of two parts of that worth is worth.
func (pt *point) averages(worth [2]float64) float64 {
	switch {
	case worth[0] == 0:
		return worth[1]
	case worth[1] == 0:
		return worth[0]
	}
	a, b := pt.parts[0].share, pt.parts[1].share
	return 1 / (a*a/worth[0] + b*b/worth[1] + 2*a*b*pt.rho/math.Sqrt(worth[0]*worth[1]))
}

// blend is the weighted mean of a part's bins as densities; inverse is the same
// mean of the reciprocal of the averages, covered the weight of the bins that
// have any.
func (b *band) blend(q *part, mic int) (xx, yy float64, xy complex128, inverse, covered float64) {
	a := &b.mics[mic]
	g := 0
	for i := q.first; i < q.first+len(q.bins); {
		for b.groups[g+1] <= i {
			g++
		}
		to := min(q.first+len(q.bins), b.groups[g+1])
		s := &a.groups[g]
		if s.weight == 0 {
			i = to
			continue
		}
		var sx, sy, re, im, sum float64
		for ; i < to; i++ {
			w, c := q.bins[i-q.first], &a.cells[i]
			sx += w * c.xx
			sy += w * c.yy
			re += w * c.re
			im += w * c.im
			sum += w
		}
		scale := b.density / s.weight
		xx += scale * sx
		yy += scale * sy
		xy += complex(scale*re, scale*im)
		inverse += sum / s.averages()
		covered += sum
	}
	if covered > 0 {
		xx, yy, xy = xx/covered, yy/covered, complex(real(xy)/covered, imag(xy)/covered)
	}
	return xx, yy, xy, inverse, covered
}
