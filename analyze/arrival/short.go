package arrival

import (
	"math"
	"math/cmplx"
)

// short are averaged spectra of short windows in which the reference is delayed
// by a known whole number of samples first, so that the windows of both channels
// hold the same sound. The sine window at half overlap weighs all samples alike:
// its squares add up to one.
type short struct {
	delay  int   // samples
	next   int64 // microphone sample that the next window starts at
	on     bool
	xy     []complex128
	xx, yy []float64
	sum    float64 // of the weights of the windows
	sum2   float64
}

func newShort(l layout) short {
	return short{xy: make([]complex128, l.shortLen), xx: make([]float64, l.shortLen), yy: make([]float64, l.shortLen)}
}

func (s *short) reset() {
	clear(s.xy)
	clear(s.xx)
	clear(s.yy)
	s.sum, s.sum2 = 0, 0
}

func (s *short) copyFrom(o *short) {
	copy(s.xy, o.xy)
	copy(s.xx, o.xx)
	copy(s.yy, o.yy)
	s.delay, s.next, s.on, s.sum, s.sum2 = o.delay, o.next, o.on, o.sum, o.sum2
}

// align drops all averages and starts again from the oldest history, or from
// sample number from if that is later, with the reference delayed by delay.
// The first window begins half a window early, so that the first samples weigh
// as much as the rest.
func (s *short) align(w *Workspace, h *history, delay int, from int64) {
	s.reset()
	s.delay, s.on = delay, true
	s.next = max(h.oldest()+int64(max(delay, 0)), from) - int64(w.m/2)
}

// due says whether all samples of the next window are there.
func (s *short) due(w *Workspace, h *history) bool {
	return s.on && s.next+int64(w.m+max(0, -s.delay)) <= h.end
}

// step adds the next window after multiplying what is there by keep.
func (s *short) step(w *Workspace, h *history, keep float64) {
	if weight := s.transform(w, h); weight > 0 {
		s.add(w, weight, keep)
	}
}

// transform leaves the spectra of the next window in w and moves on; the weight
// is the part of the window that both channels fill.
func (s *short) transform(w *Workspace, h *history) (weight float64) {
	x, y := w.x[:w.m], w.y[:w.m]
	h.read(x, h.ref, s.next-int64(s.delay))
	h.read(y, h.mic, s.next)
	// Neither channel counts where the other is missing; a cut is faded, so that
	// it does not make sound of its own.
	from := int(max(h.oldest(), h.oldest()+int64(s.delay)) - s.next)
	to := int(min(h.end, h.end+int64(s.delay)) - s.next)
	first, last := max(from, 0), min(to, w.m)
	if last < first {
		first, last = 0, 0
	}
	clear(x[:first])
	clear(y[:first])
	clear(x[last:])
	clear(y[last:])
	for i := first; i < last; i++ {
		g := w.sine[i]
		if d := i - from; from > 0 && d < w.ramp {
			g *= w.fade[d]
		}
		if d := to - 1 - i; to < w.m && d < w.ramp {
			g *= w.fade[d]
		}
		x[i] *= g
		y[i] *= g
	}
	filled := last - first
	s.next += int64(w.m / 2)
	if filled > 0 {
		w.short.ForwardPair(w.spectrumX[:w.m/2+1], w.spectrumY[:w.m/2+1], x, y)
	}
	return float64(filled) / float64(w.m)
}

// add takes in what transform left.
func (s *short) add(w *Workspace, weight, keep float64) {
	if keep != 1 {
		s.forget(keep)
	}
	for k := range s.xy {
		x, y := w.spectrumX[k], w.spectrumY[k]
		s.xy[k] += complex(real(x)*real(y)+imag(x)*imag(y), real(x)*imag(y)-imag(x)*real(y))
		s.xx[k] += real(x)*real(x) + imag(x)*imag(x)
		s.yy[k] += real(y)*real(y) + imag(y)*imag(y)
	}
	s.sum += weight
	s.sum2 += weight * weight
}

func (s *short) forget(keep float64) {
	for i := range s.xy {
		s.xy[i] *= complex(keep, 0)
		s.xx[i] *= keep
		s.yy[i] *= keep
	}
	s.sum *= keep
	s.sum2 *= keep * keep
}

// finish adds the windows that reach past the newest sample.
func (s *short) finish(w *Workspace, h *history) {
	for s.on && s.next < min(h.end, h.end+int64(s.delay)) {
		s.step(w, h, 1)
	}
}

// seconds is how much sound the averages are worth.
func (s *short) seconds(w *Workspace) float64 {
	if s.sum2 == 0 {
		return 0
	}
	return s.sum * s.sum / s.sum2 * float64(w.m/2) / w.rate
}

// fit is the refined delay of one arrival.
type fit struct {
	delay float64 // samples
	sd    float64 // samples
	noise float64 // the part of sd that more averaging would take away
	ok    bool
}

// refine finds the delay near guess (samples, in all) by maximum likelihood: the
// slope of the phase over the trusted bands, weighted with γ²/(1−γ²) (Hannan and
// Thomson 1973; Knapp and Carter 1976), with standard deviation
//
//	sd⁻² = 2T ∫ (2πf)² γ²/(1−γ²) df
//
// the Cramér–Rao bound at the coherence found. Where the phase strays from a
// straight line by more than that allows (a crossover, reflections), sd grows
// by as much.
func (s *short) refine(w *Workspace, guess float64, sign float64) fit {
	seconds := s.seconds(w)
	if seconds == 0 {
		return fit{}
	}
	step := 2 * math.Pi / float64(w.m) // radians a sample, per bin
	offset := guess - float64(s.delay)
	turn(w.turned, s.xy, step*offset, sign)

	windows := seconds * w.rate / float64(w.m/2) * 0.95 // neighbours share a little
	w.smooth(s)
	information := 0.0
	clear(w.weight)
	trusted := false
	w.measureLeak(s.xx)
	for b, e := range w.shorts {
		// A band counts when its mean coherence is more than chance gives once
		// in ten thousand; then its bins weigh by their own.
		var xy complex128
		var coherence, count float64
		for k := e.lo; k < e.hi; k++ {
			if d := math.Sqrt(s.xx[k] * s.yy[k]); d > 0 {
				xy += w.turned[k] / complex(d, 0)
				count++
			}
		}
		if count == 0 {
			continue
		}
		coherence = (real(xy)*real(xy) + imag(xy)*imag(xy)) / (count * count)
		if coherence < 9.2/(windows*count) || real(xy) < 0 {
			continue
		}
		trusted = true
		for k := e.lo; k < e.hi; k++ {
			d := w.smoothXX[k] * w.smoothYY[k]
			if d <= 0 || w.smoothXX[k] < w.leak[b] || s.xx[k] < 1e-3*w.smoothXX[k] {
				continue
			}
			z := w.smoothXY[k]
			g := (real(z)*real(z) + imag(z)*imag(z)) / d
			count := windows * float64(2*halfWidth(k)+1)
			g = min(g-(1-g)/count, 1-1e-9)
			if g <= 0 {
				continue
			}
			w.weight[k] = g / (1 - g)
		}
	}
	if !trusted {
		return fit{}
	}
	var sum float64
	for k, wt := range w.weight {
		if wt > 0 {
			w.level[k] = wt / cmag(w.smoothXY[k])
			omega := step * float64(k)
			information += omega * omega * wt
			sum += wt
		}
	}
	// Beyond the peak that guess stands on lie others, not better values of it.
	reach := 2.5 * math.Sqrt(sum/information)
	// Newton on Σ w·Re(Z·e^{jωδ})/|Z|.
	delta := 0.0
	for range 8 {
		var slope, curvature float64
		z0 := complex(1, 0)
		move := cmplx.Rect(1, step*delta)
		for k, wt := range w.weight {
			if wt > 0 {
				omega := step * float64(k)
				z := w.turned[k] * z0
				slope -= omega * imag(z) * w.level[k]
				curvature += omega * omega * real(z) * w.level[k]
			}
			z0 *= move
		}
		if curvature <= 0 {
			return fit{}
		}
		change := slope / curvature
		delta += change
		if math.Abs(delta) > reach {
			return fit{}
		}
		if math.Abs(change) < 1e-7 {
			break
		}
	}
	// Information, and how well the phase fits, in groups of equal information.
	independent := seconds * w.rate / float64(w.m) // averages per bin at Δf = 1/window
	sd := 1 / math.Sqrt(2*independent*information)
	const groups = 16
	var misfit, filled, acc float64
	var z complex128
	var weight float64
	group := 1
	phasor, move := complex(1, 0), cmplx.Rect(1, step*delta)
	for k := range w.weight {
		if w.weight[k] > 0 {
			omega := step * float64(k)
			z += w.turned[k] * phasor * complex(w.level[k], 0)
			weight += w.weight[k]
			acc += omega * omega * w.weight[k]
		}
		phasor *= move
		if weight > 0 && acc >= information*float64(group)/groups*(1-1e-12) {
			phase := math.Atan2(imag(z), real(z))
			misfit += phase * phase * 2 * independent * weight
			filled++
			z, weight = 0, 0
			for acc >= information*float64(group)/groups*(1-1e-12) && group < groups {
				group++
			}
		}
	}
	// 2.2 is exceeded by chance once in 200 (χ² of 15).
	noise := sd
	if excess := misfit / max(filled-1, 1); excess > 2.2 {
		sd *= math.Sqrt(excess)
	}
	return fit{delay: guess + delta, sd: sd, noise: noise, ok: true}
}

// measureLeak finds below what power in a bin a band holds but what the window
// lets through from louder bands, which has the phase of where it comes from: the
// power spectrum of the sine window falls to 1/(16d⁴) at d bins. xx are powers
// of the reference.
func (w *Workspace) measureLeak(xx []float64) {
	for b, e := range w.shorts {
		w.power[b] = 0
		for k := e.lo; k < e.hi; k++ {
			w.power[b] += xx[k]
		}
	}
	for b, e := range w.shorts {
		w.leak[b] = 0
		middle := float64(e.lo+e.hi) / 2
		for i, o := range w.shorts {
			if i != b {
				distance := max(math.Abs(middle-float64(o.lo+o.hi)/2)-float64(o.hi-o.lo)/2, 3)
				w.leak[b] += w.power[i] / (distance * distance * distance * distance)
			}
		}
		for i := max(b-1, 0); i <= min(b+1, len(w.shorts)-1); i++ {
			w.leak[b] = max(w.leak[b], 1e-4*w.power[i]/float64(w.shorts[i].hi-w.shorts[i].lo))
		}
	}
}

// heard says whether band b of the last measureLeak holds sound of its own.
func (w *Workspace) heard(b int) bool {
	e := w.shorts[b]
	return w.power[b] > w.leak[b]*float64(e.hi-e.lo)
}

func cmag(z complex128) float64 { return math.Sqrt(real(z)*real(z) + imag(z)*imag(z)) }

// turn sets dst[k] = sign·src[k]·e^{jk·angle}.
func turn(dst, src []complex128, angle, sign float64) {
	phasor, move := complex(sign, 0), cmplx.Rect(1, angle)
	for k, z := range src {
		dst[k] = z * phasor
		phasor *= move
	}
}

// halfWidth is how many bins to each side of k are averaged for its coherence: a 24th octave.
func halfWidth(k int) int { return max(2, k/48) }

// smooth fills smoothXX, smoothYY and smoothXY (of turned) with running means.
func (w *Workspace) smooth(s *short) {
	n := len(s.xx)
	sums := func(dst, src []float64) {
		c := w.cumulativeReal
		for k, v := range src {
			c[k+1] = c[k] + v
		}
		for k := range dst {
			h := halfWidth(k)
			lo, hi := max(0, k-h), min(n, k+h+1)
			dst[k] = (c[hi] - c[lo]) / float64(hi-lo)
		}
	}
	sums(w.smoothXX, s.xx)
	sums(w.smoothYY, s.yy)
	for k, v := range w.turned {
		w.cumulative[k+1] = w.cumulative[k] + v
	}
	for k := range w.smoothXY {
		h := halfWidth(k)
		lo, hi := max(0, k-h), min(n, k+h+1)
		z, g := w.cumulative[hi]-w.cumulative[lo], 1/float64(hi-lo)
		w.smoothXY[k] = complex(real(z)*g, imag(z)*g)
	}
}
