package arrival

import "math"

// glance correlates the short windows: the delay (samples, in all) at which the
// strongest arrival stands within a quarter of the window, its value, and the
// share of the trusted sound, 0…1, that arrives within 1 ms of it. An arrival
// near guess is preferred to one less than 3 dB stronger.
func (s *short) glance(w *Workspace, trust []float64, guess float64) (at, value, share float64) {
	n := w.m/2 + 1
	clear(w.spectrumX[:n])
	total := 0.0
	w.measureLeak(s.xx)
	for b, e := range w.shorts {
		xx, yy := w.power[b], 0.0
		for k := e.lo; k < e.hi; k++ {
			yy += s.yy[k]
		}
		if !w.heard(b) || yy <= 0 {
			continue
		}
		// Smoothed coherence transform (Knapp and Carter 1976, Table I), by bands.
		count := float64(e.hi - e.lo)
		g := complex(trust[b]*count/math.Sqrt(xx*yy), 0)
		for k := e.lo; k < e.hi; k++ {
			w.spectrumX[k] = s.xy[k] * g
		}
		total += trust[b] * count
	}
	if total == 0 {
		return guess, 0, 0
	}
	r := w.short.Inverse(w.y[:w.m], w.spectrumX[:n])
	home := int(math.Round(guess)) - s.delay
	near := w.m / 4096 * 48 // 1 ms
	best, bestNear := 0, home
	mask := w.m - 1
	for i := -w.m / 4; i <= w.m/4; i++ {
		v := math.Abs(r[i&mask])
		if v > math.Abs(r[best&mask]) {
			best = i
		}
		if i >= home-near && i <= home+near && v > math.Abs(r[bestNear&mask]) {
			bestNear = i
		}
	}
	if math.Abs(r[best&mask]) < 1.41*math.Abs(r[bestNear&mask]) {
		best = bestNear
	}
	value = r[best&mask]
	return float64(best + s.delay), value, math.Abs(value) * float64(w.m) / (2 * total)
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
