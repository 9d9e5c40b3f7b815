package arrival

import "math"

// holdsOn is what share of the largest lobe the one that is followed must have to
// be followed on; holdsFirst, if the largest may be a later one of the same arrival.
const (
	holdsOn    = 0.6
	holdsFirst = 0.25
	// Or of what usually arrives then.
	holdsUsual = 0.8
)

// glance correlates the short windows: the delay (samples, in all) at which the
// strongest arrival stands within a quarter of the window, its value, and the
// share of the trusted sound, 0…1, that arrives then. The lobe at guess, if it is
// of the sign it was, is preferred to one that is little larger, and to any while there is as much of it as usual.
func (s *short) glance(w *Workspace, trust []float64, guess float64, sign int, held float64) (at, value, share float64) {
	n := w.m/2 + 1
	clear(w.spectrumX[:n])
	w.measureLeak(s.xx)
	for b, e := range w.shorts {
		w.height[b], w.share[b] = 0, 0
		yy := 0.0
		for k := e.lo; k < e.hi; k++ {
			yy += s.yy[k]
		}
		if w.heard(b) && yy > 0 {
			w.height[b], w.share[b] = math.Sqrt(yy/w.power[b]), trust[b]
		}
	}
	// Smoothed coherence transform (Knapp and Carter 1976, Table I), by bands; soft
	// bands are left as they are, see correlate.
	usual := medianHeight(w.shorts, w.height, w.share)
	total := 0.0
	for b, e := range w.shorts {
		if w.share[b] == 0 {
			continue
		}
		w.share[b] *= min(1, w.height[b]/usual)
		count := float64(e.hi - e.lo)
		g := complex(w.share[b]*count/(w.power[b]*w.height[b]), 0)
		for k := e.lo; k < e.hi; k++ {
			w.spectrumX[k] = s.xy[k] * g
		}
		total += w.share[b] * count
	}
	if total == 0 {
		return guess, 0, 0
	}
	r := w.short.Inverse(w.y[:w.m], w.spectrumX[:n])
	mask := w.m - 1
	home := int(math.Round(guess)) - s.delay
	best := 0
	for i := -w.m / 4; i <= w.m/4; i++ {
		if math.Abs(r[i&mask]) > math.Abs(r[best&mask]) {
			best = i
		}
	}
	// Uphill from where it was, on the same lobe.
	lobe := home
	for _, step := range []int{-1, 1} {
		for i := 1; i <= 2*w.decimate; i++ {
			if v := r[(home+i*step)&mask]; v*r[home&mask] > 0 && math.Abs(v) > math.Abs(r[lobe&mask]) {
				lobe = home + i*step
			}
		}
	}
	hold := holdsOn
	if off := best - lobe; off > 0 && off <= int(apartMs/1000*w.rate) {
		hold = holdsFirst
	}
	if perOne := float64(w.m) / (2 * total); held > 0 && math.Abs(r[lobe&mask])*perOne >= holdsUsual*held {
		hold = 0 // nothing has become of it
	}
	if r[lobe&mask]*float64(sign) >= 0 && math.Abs(r[lobe&mask]) >= hold*math.Abs(r[best&mask]) {
		best = lobe
	} else {
		best = s.beginning(w, r, best)
	}
	value = r[best&mask]
	return float64(best + s.delay), value, math.Abs(value) * float64(w.m) / (2 * total)
}

// beginning is Workspace.beginning for r, the correlation of short windows.
func (s *short) beginning(w *Workspace, r []float64, at int) int {
	n := w.m/2 + 1
	clear(w.spectrumX[:n])
	for b, e := range w.shorts {
		if w.share[b] == 0 {
			continue
		}
		g := w.share[b] * float64(e.hi-e.lo) / w.power[b]
		for k := e.lo; k < e.hi; k++ {
			w.spectrumX[k] = complex(s.xx[k]*g, 0)
		}
	}
	p := w.short.Inverse(w.x[:w.m], w.spectrumX[:n])
	mask := w.m - 1
	largest, first := math.Abs(r[at&mask]), at
	for i := at - 1; i >= first-int(apartMs/1000*w.rate); i-- {
		v, sign := math.Abs(r[i&mask]), math.Copysign(1, r[i&mask])
		if v < sign*r[(i-1)&mask] || v < sign*r[(i+1)&mask] {
			continue
		}
		if v >= firstLobe*largest && math.Abs(r[i&mask]-r[at&mask]*p[at-i]/p[0]) >= ofItsOwn*largest {
			first = i
		}
	}
	return first
}

// judgeBands sets trust to the weight γ²/(1−γ²) of each third octave at delay.
func (s *short) judgeBands(w *Workspace, trust []float64, delay float64) {
	turn(w.turned, s.xy, 2*math.Pi/float64(w.m)*(delay-float64(s.delay)), 1)
	for b, e := range w.shorts {
		var xy complex128
		var xx, yy float64
		for k := e.lo; k < e.hi; k++ {
			xy += w.turned[k]
			xx += s.xx[k]
			yy += s.yy[k]
		}
		trust[b] = 0.01
		if xx > 0 && yy > 0 {
			g := min((real(xy)*real(xy)+imag(xy)*imag(xy))/(xx*yy), 1)
			trust[b] += g / (1 - g + 0.05)
		}
	}
}

// gainOver is by how much, as a factor, the path that s holds is louder than the
// one that o holds: the median over the bands that are heard in both, each weighed
// by its bins. Both must be laid to one delay. 0 when nothing can be told.
func (s *short) gainOver(o *short, w *Workspace) float64 {
	w.measureLeak(s.xx)
	var gains, counts [32]float64
	n, all := 0, 0.0
	for b, e := range w.shorts {
		if !w.heard(b) {
			continue
		}
		var along, size, xx float64
		for k := e.lo; k < e.hi; k++ {
			z, m := s.xy[k], o.xy[k]
			along += real(z)*real(m) + imag(z)*imag(m)
			size += real(m)*real(m) + imag(m)*imag(m)
			xx += o.xx[k]
		}
		if size > 0 && w.power[b] > 0 {
			gains[n], counts[n] = along*xx/(size*w.power[b]), float64(e.hi-e.lo)
			all += counts[n]
			n++
		}
	}
	// The largest that half of the bins reach.
	best := 0.0
	for _, g := range gains[:n] {
		reached := 0.0
		for i, h := range gains[:n] {
			if h >= g {
				reached += counts[i]
			}
		}
		if reached >= all/2 {
			best = max(best, g)
		}
	}
	return best
}
