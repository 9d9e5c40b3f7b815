package watch

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/air"
	"plumbline/analyze/fft"
)

// What changes without anybody's fault, each a model of its own that is weighed
// like the faults.
const (
	// A microphone that is moved by d hears each direct sound up to d/c earlier or
	// later. What the room adds comes from everywhere, and what is heard at two
	// places of a diffuse field is alike as sin(kd)/kd (R. K. Cook and others, J.
	// Acoust. Soc. Am. 27, 1955): far below kd = π all of it, above hardly anything.
	nudgeMost = 0.12 // m
	// directS is how long a direct sound is taken to last.
	directS = 0.002
	// blur is the share of a shadow's power that its model is wrong by, stir that of
	// the room's sound which a person changes, at high frequencies.
	blur, stir = 0.15, 0.15
	// doubt is the most that a cause without a fault is believed: nothing of it can
	// be looked at.
	doubt = 0.9
)

// nudges are the distances that are tried, detours those around a person, m.
var (
	nudges  = []float64{0.005, 0.01, 0.02, 0.03, 0.05, 0.07, 0.1}
	detours = []float64{0.003, 0.01, 0.03, 0.07, 0.15, 0.3}
)

// harmless are the causes without a fault.
func (j *judge) harmless() []cause {
	direct := j.directs()
	list := append(j.air(), j.nudge(direct)...)
	list = append(list, j.shadow(direct))
	for i, d := range direct {
		list = append(list, j.dull(i, d))
	}
	return list
}

// dull is a shadow of one direct sound as deep as a dead driver would make it.
// Where the room's sound has not gone with it, that is what it is.
func (j *judge) dull(part int, direct []complex128) cause {
	w := j.w
	_, by := j.driver(drivers[0], direct, minus(j.s.h, w.now))
	x := cause{Change: Change{Kind: Shaded}, harmless: true, free: 2, mu: append([]complex128(nil), w.now...)}
	x.parts = append(x.parts, w.parts...)
	x.parts[part] = append([]complex128(nil), w.parts[part]...)
	for k := w.b.low; k < w.b.high; k++ {
		d := direct[k] * complex(by(w.b.hz(k))-1, 0)
		x.mu[k] += d
		x.parts[part][k] += d
	}
	return x
}

// directs are the direct sounds of the components.
func (j *judge) directs() [][]complex128 {
	b := j.w.b
	const beforeS, fadeS = 0.001, 0.0005
	plan := fft.NewReal(b.n)
	h := make([]float64, b.n)
	var out [][]complex128
	for i, p := range j.w.parts {
		plan.Inverse(h, p)
		// Its delay may have changed since the baseline: the loudest sample about it.
		at, about := int(b.parts[i].delayS*b.cfg.SampleRateHz)-b.lead, int(0.004*b.cfg.SampleRateHz)
		loudest := at
		for n := max(0, at-about); n < min(b.n, at+about); n++ {
			if math.Abs(h[n]) > math.Abs(h[min(max(loudest, 0), b.n-1)]) {
				loudest = n
			}
		}
		from := loudest - int(beforeS*b.cfg.SampleRateHz)
		to := loudest + int(directS*b.cfg.SampleRateHz)
		for n := range h {
			switch {
			case n < from || n >= to:
				h[n] = 0
			case float64(to-n) < fadeS*b.cfg.SampleRateHz:
				h[n] *= float64(to-n) / (fadeS * b.cfg.SampleRateHz)
			}
		}
		out = append(out, plan.Forward(nil, h))
	}
	return out
}

// speed of sound in the air that is followed, m/s.
func (c *climate) speed() float64 { return air.SpeedOfSound(c.kelvin + c.change - 273.15) }

// nudge is a moved microphone, once for each distance tried.
func (j *judge) nudge(direct [][]complex128) []cause {
	w, b := j.w, j.w.b
	c := w.climate.speed()
	// Each direct sound's shift by turns: what the others are thought to be is taken
	// off before it is looked for.
	late := make([]float64, len(direct))
	turned := func(p []complex128, s float64) []complex128 {
		out := make([]complex128, len(p))
		for k := b.low; k < b.high; k++ {
			out[k] = p[k] * cmplx.Rect(1, -2*math.Pi*b.hz(k)*s)
		}
		return out
	}
	room := append([]complex128(nil), w.now...)
	for _, d := range direct {
		room = minus(room, d)
	}
	shifted := append([][]complex128(nil), direct...)
	for range 3 {
		for i, d := range direct {
			of := minus(j.s.h, room)
			for o, s := range shifted {
				if o != i {
					of = minus(of, s)
				}
			}
			late[i] = j.shift(d, of, nudgeMost/c)
			shifted[i] = turned(d, late[i])
		}
	}
	reach := 0.0
	for _, s := range late {
		reach = max(reach, math.Abs(s)*c)
	}
	open := j.share(room)
	var list []cause
	for _, m := range nudges {
		if m < 0.8*reach {
			continue
		}
		alike := func(k int) float64 {
			x := 2 * math.Pi * b.hz(k) / c * m
			return math.Sin(x) / x
		}
		x := cause{Change: Change{Kind: Nudged, ShiftMs: 1000 * reach / c}, harmless: true, free: float64(len(direct)) + 1,
			mu: make([]complex128, len(w.now)), credit: make([]float64, len(j.bands))}
		for i, p := range w.parts {
			after := make([]complex128, len(p))
			for k := b.low; k < b.high; k++ {
				turn := cmplx.Rect(1, -2*math.Pi*b.hz(k)*late[i])
				after[k] = turn * (direct[i][k] + complex(alike(k), 0)*(p[k]-direct[i][k]))
			}
			x.parts = append(x.parts, after)
		}
		for k := b.low; k < b.high; k++ {
			x.mu[k] = complex(alike(k), 0) * room[k]
			for _, s := range shifted {
				x.mu[k] += s[k]
			}
		}
		for i, band := range j.bands {
			a := alike((band.from + band.to) / 2)
			x.credit[i] = (1 - a*a) * open[i]
		}
		list = append(list, x)
	}
	return list
}

// shadow is somebody, or something, in the way of some of the direct sounds: each
// loses 10 lg(3+20N) dB, N = 2fδ/c, with the detour δ (Maekawa, Applied Acoustics
// 1, 1968; in this form in ISO 9613-2), at most 20 dB, and comes as much later.
func (j *judge) shadow(direct [][]complex128) cause {
	w, b := j.w, j.w.b
	c := w.climate.speed()
	x := cause{Change: Change{Kind: Shaded}, harmless: true, free: 1, mu: append([]complex128(nil), w.now...)}
	x.parts = append(x.parts, w.parts...)
	x.credit = make([]float64, len(j.bands))
	lost := make([][]complex128, len(direct))
	off := func(d []complex128, detour float64) []complex128 {
		out := make([]complex128, len(d))
		for k := b.low; k < b.high; k++ {
			g := math.Max(0.1, 1/math.Sqrt(3+20*2*b.hz(k)*detour/c)) * math.Sqrt(3)
			g = min(1, g)
			out[k] = d[k] * (complex(g, 0)*cmplx.Rect(1, -2*math.Pi*b.hz(k)*detour/c) - 1)
		}
		return out
	}
	for range 2 {
		for i, d := range direct {
			if lost[i] != nil {
				x.mu = minus(x.mu, lost[i])
			}
			best, least := []complex128(nil), j.residual(x.mu, nil)
			for _, detour := range detours {
				o := off(d, detour)
				if r := j.residual(x.mu, o); r < least {
					best, least = o, r
				}
			}
			if lost[i] = best; best != nil {
				x.mu = plus(x.mu, best)
			}
		}
	}
	room := append([]complex128(nil), w.now...)
	for i, l := range lost {
		room = minus(room, direct[i])
		if l == nil {
			continue
		}
		x.free++
		x.parts[i] = plus(w.parts[i], l)
		for o, p := range j.share(l) {
			x.credit[o] += blur * p
		}
	}
	for i, p := range j.share(room) {
		kd := 2 * math.Pi * b.hz((j.bands[i].from+j.bands[i].to)/2) / c * 0.1
		a := math.Sin(kd) / kd
		x.credit[i] += stir * (1 - a*a) * p
	}
	return x
}

// residual is what a response, with something added, leaves of what was heard.
func (j *judge) residual(mu, added []complex128) (r float64) {
	for k, g := range j.weight {
		if g > 0 {
			d := j.s.h[k] - mu[k]
			if added != nil {
				d -= added[k]
			}
			r += g * abs2(d)
		}
	}
	return r
}

// air is warmer or colder air: the temperature that fits best, and the baseline's,
// which is the likeliest to come back to.
func (j *judge) air() (list []cause) {
	w := j.w
	for _, kelvin := range []float64{w.climate.search(w, j.s.xx, j.s.xy, j.perEnergy()), 0} {
		x := cause{Change: Change{Kind: warmed}, harmless: true, free: 1, kelvin: kelvin}
		x.mu, x.parts = w.climate.at(kelvin)
		list = append(list, x)
	}
	return list
}

// perEnergy are the weights of the bins for each of Σ|X|².
func (j *judge) perEnergy() []float64 {
	weight := make([]float64, len(j.weight))
	for k, g := range j.weight {
		if g > 0 {
			weight[k] = g / j.s.xx[k]
		}
	}
	return weight
}
