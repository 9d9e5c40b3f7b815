package arrival

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/fft"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// The sign of an arrival is how its loudspeaker is wired, as far as that can be
// told from its own sound: the impulse response is gated around it, and package
// polarity judges what is in the gate.
const (
	gateBeforeMs = 2.5  // at most so much before an arrival is in its gate
	gateAfterMs  = 25.0 // and so much after it
	// A neighbour this much weaker than an arrival does not end its gate.
	gateThrough = 0.25 // −12 dB
	// gateWorth are the averages that a point of the gated response is worth: it
	// counts when it is three times the noise before it.
	gateWorth = 8
	// Within lowDriverMs behind another arrival that is not much weaker it may be the
	// low driver of the same box, which a steep crossover holds back (Linkwitz-Riley of
	// 48 dB an octave: 0.83 periods of the crossover and more), with lobes of both signs. It
	// is another loudspeaker only if it plays as high as highDriverHz.
	lowDriverMs  = 2.5
	highDriverHz = 4000
	// gateFloor is what power re its loudest an arrival must have at a frequency.
	gateFloor = 3e-4 // −35 dB
	// One so much weaker in the tail of another has no sign of its own.
	underTail = 0.4
)

// gate is scratch for the signs of arrivals.
type gate struct {
	plan     *fft.Real
	x        []float64
	h, noise []complex128
	bins     []int
	spectra  response.Spectra
	verdict  polarity.Verdict
}

func newGate(l layout) gate {
	n := l.m / l.decimate
	g := gate{plan: fft.NewReal(n), x: make([]float64, n), h: make([]complex128, n/2+1), noise: make([]complex128, n/2+1)}
	step := l.grid / float64(n)
	for k := 1; float64(k)*step < 18000 && k < n/2; k += max(1, k/48) {
		g.bins = append(g.bins, k)
		g.spectra.FrequencyHz = append(g.spectra.FrequencyHz, float64(k)*step)
	}
	n = len(g.bins)
	g.spectra.SampleRateHz = l.rate
	g.spectra.Gxx, g.spectra.Gyy = make([]float64, n), make([]float64, n)
	g.spectra.Gxy, g.spectra.EffectiveAverages = make([]complex128, n), make([]float64, n)
	g.verdict.Bands = make([]polarity.Band, 0, 16)
	return g
}

// impulse leaves the impulse response of f.total in w.r: what remains of it once
// the programme is divided out.
func (f *Finder) impulse() {
	w, s := f.Workspace, &f.total
	clear(w.spectrumX[:w.bins])
	loudest := 0.0
	level := func(e band) float64 {
		sum := 0.0
		for _, v := range s.xx[e.lo:e.hi] {
			sum += v
		}
		return sum / float64(e.hi-e.lo)
	}
	for _, e := range w.bands {
		loudest = max(loudest, level(e))
	}
	for _, e := range w.bands {
		v := level(e)
		if v < 1e-8*loudest {
			continue
		}
		for k := e.lo; k < e.hi; k++ {
			w.spectrumX[k] = s.xy[k] * complex(1/(s.xx[k]+0.1*v), 0)
		}
	}
	w.back.Inverse(w.r, w.spectrumX[:w.bins])
}

// cut puts the lags from … from+length of w.r into g.x, faded over rise at the
// beginning and fall at the end, and their spectrum into dst.
func (w *Workspace) cut(dst []complex128, from, length, rise, fall int) {
	g := &w.gate
	clear(g.x)
	n := len(w.r)
	zero := n - (w.latest+w.ramp)/w.decimate // where lag 0 stands
	length = min(length, len(g.x))
	for i := range length {
		v := 1.0
		if i < rise {
			v = math.Sin(math.Pi / 2 * (float64(i) + 0.5) / float64(rise))
		} else if d := length - 1 - i; d < fall {
			v = math.Sin(math.Pi / 2 * (float64(d) + 0.5) / float64(fall))
		}
		g.x[i] = v * v * w.r[((zero+from+i)%n+n)%n]
	}
	g.plan.Forward(dst, g.x)
}

// sign is that of list[i]; f.impulse came before.
func (f *Finder) sign(list []peak, i int) told {
	w := f.Workspace
	g := &w.gate
	delay := f.delayOf(list[i]) / float64(w.decimate) // grid samples
	size := math.Abs(list[i].amplitude)
	before, after := gateBeforeMs/1000*w.grid, gateAfterMs/1000*w.grid
	quiet := delay + float64(w.early/w.decimate) // how long nothing louder came before
	for j, p := range list {
		if j == i || math.Abs(p.amplitude) < gateThrough*size {
			continue
		}
		if d := f.delayOf(p)/float64(w.decimate) - delay; d > 0 {
			after = min(after, 0.9*d)
		} else {
			before, quiet = min(before, -0.4*d), min(quiet, -0.9*d)
		}
	}
	from, rise := int(delay-before), int(before)
	length := rise + int(after)
	w.cut(g.h, from, length, max(rise*2/3, 1), length/3)
	still := min(int(quiet)-rise, length)
	scale := 0.0
	if still > int(w.grid/1000) {
		w.cut(g.noise, from-still, still, still/8, still/8)
		scale = float64(length) / float64(still)
	} else {
		clear(g.noise)
	}
	s := &g.spectra
	s.DelayS = f.delayOf(list[i]) / w.rate
	lowest := 1.2 * w.grid / float64(length)
	// What is this much below the loudest, be that too low to be judged itself, is what a
	// sub leaks and noise.
	loudest := 0.0
	for _, bin := range g.bins {
		loudest = max(loudest, real(g.h[bin])*real(g.h[bin])+imag(g.h[bin])*imag(g.h[bin]))
	}
	for k, bin := range g.bins {
		h := g.h[bin] * cmplx.Rect(1, 2*math.Pi*float64(bin)/float64(len(g.x))*(delay-float64(from)))
		noise := g.noise[bin]
		s.Gxx[k], s.Gxy[k] = 1, h
		level := real(h)*real(h) + imag(h)*imag(h)
		s.Gyy[k] = level + scale*(real(noise)*real(noise)+imag(noise)*imag(noise))
		s.EffectiveAverages[k] = gateWorth
		if s.FrequencyHz[k] < lowest || level < gateFloor*loudest {
			s.EffectiveAverages[k] = 0
		}
	}
	polarity.JudgeInto(&g.verdict, s)
	if math.Abs(g.verdict.DelayMs/1000-s.DelayS) > apartMs/1000 {
		return told{} // that of something else in the gate
	}
	t := told{sign: g.verdict.Sign, confidence: g.verdict.Confidence}
	for _, b := range g.verdict.Bands {
		if t.sign != 0 && b.Sign == t.sign {
			t.lowHz, t.highHz = b.LowHz, b.HighHz
			break
		}
	}
	if f.behind(list, i, 0.5) && t.highHz < highDriverHz || f.behind(list, i, 1/underTail) {
		return told{}
	}
	return t
}

// behind says whether list[i] comes in the tail of an earlier one that is at least so
// many times as strong.
func (f *Finder) behind(list []peak, i int, times float64) bool {
	for _, p := range list {
		off := (list[i].at - p.at) / f.grid * 1000
		if off > 0 && off < lowDriverMs && math.Abs(p.amplitude) > times*math.Abs(list[i].amplitude) {
			return true
		}
	}
	return false
}
