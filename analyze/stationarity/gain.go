package stationarity

import "math"

// firstMs is the reach, in lags, of what gains are compared in.
const firstMs = 8

// direct sets first to the response of what comes first: the mean over bins is a
// window over lags. What comes later would make a stretch louder that begins with a
// loud sound, and softer one that ends with it.
func (a *aligner) direct() {
	_, step := a.s.omega()
	half := int(math.Pi / step / (firstMs / 1000.0) / 2)
	n := len(a.first)
	var xx float64
	var xy complex128
	for i := -half; i < n; i++ {
		if k := i + half; k < n {
			xx += a.all.xx[k]
			xy += a.all.xy[k]
		}
		if k := i - half - 1; k >= 0 {
			xx -= a.all.xx[k]
			xy -= a.all.xy[k]
		}
		if i >= 0 {
			if a.first[i] = 0; xx > 0 {
				a.first[i] = xy / complex(xx, 0)
			}
		}
	}
	for g := 0; g+1 < len(a.groups); g++ {
		sum, from, to := 0.0, a.groups[g], a.groups[g+1]
		for i := from; i < to; i++ {
			if a.all.xx[i] > 0 {
				d := a.all.xy[i]/complex(a.all.xx[i], 0) - a.first[i]
				sum += real(d)*real(d) + imag(d)*imag(d)
			}
		}
		for i := from; i < to; i++ {
			a.spread[i] = sum / float64(to-from)
		}
	}
}

// gain is that of a stretch over all, and its standard deviation, as factors.
func (a *aligner) gain(e *spectra, offsetS float64) (gain, sd float64) {
	turns := a.turns.of(a.s, offsetS)
	var parts, expected []float64
	var level, whole, part, expect float64
	for i, x := range e.x {
		xr, xi := float64(real(x)), float64(imag(x))
		h, ps := a.first[i], xr*xr+xi*xi
		if hh := real(h)*real(h) + imag(h)*imag(h); ps > 0 && hh > 0 {
			weight := 1 / (a.noise[i]/ps + a.spread[i] + leak*hh)
			yr, yi := float64(real(e.y[i])), float64(imag(e.y[i]))
			own := complex((xr*yr+xi*yi)/ps, (xr*yi-xi*yr)/ps) * turns[i]
			part += weight * (real(own)*real(h) + imag(own)*imag(h))
			expect += weight * hh
		}
		if (i+1)%block == 0 || i == len(e.x)-1 {
			parts, expected = append(parts, part), append(expected, expect)
			level += part
			whole += expect
			part, expect = 0, 0
		}
	}
	if !(whole > 0) {
		return 0, math.Inf(1)
	}
	gain = level / whole
	for j := range parts {
		d := parts[j] - gain*expected[j]
		sd += d * d
	}
	return gain, math.Sqrt(sd) / whole
}
