package watch

import (
	"math"
	"math/cmplx"
)

// faults are what may be wrong, each fitted to what was heard.
func (j *judge) faults() []cause {
	w, b := j.w, j.w.b
	difference := minus(j.s.h, w.now)
	var list []cause
	// change adds what changes one component, or with part < 0 everything, by by(k).
	change := func(c Change, part int, free float64, by func(k int) complex128) {
		x := cause{Change: c, free: free, mu: append([]complex128(nil), w.now...), parts: append([][]complex128(nil), w.parts...)}
		altered := func(p []complex128) []complex128 {
			out := append([]complex128(nil), p...)
			for k := b.low; k < b.high; k++ {
				out[k] += p[k] * by(k)
			}
			return out
		}
		if part < 0 {
			x.mu = altered(w.now)
			for i, p := range w.parts {
				x.parts[i] = altered(p)
			}
		} else {
			x.parts[part] = altered(w.parts[part])
			for k := range x.mu {
				x.mu[k] += x.parts[part][k] - w.parts[part][k]
			}
			j.reverberate(&x, by)
		}
		list = append(list, x)
	}
	constant := func(v float64) func(int) complex128 {
		return func(int) complex128 { return complex(v, 0) }
	}
	level := func(what string, part int, p []complex128) {
		by := j.along(p, difference)
		if db := 20 * math.Log10(1+by); by > leastLeft-1 && math.Abs(db) >= leastDB {
			change(Change{Kind: LevelChanged, What: what, ChangeDB: db}, part, 1, constant(by))
		}
	}

	all := Change{Kind: Flipped}
	if len(w.parts) == 1 {
		all.What = b.parts[0].name
	}
	change(all, -1, 0, constant(-2))
	level("", -1, w.now)
	if len(w.parts) > 1 {
		change(Change{Kind: Lost}, -1, 0, constant(-1))
	}
	for o, from := range b.octaves[:len(b.octaves)-1] {
		to := b.octaves[o+1]
		piece := make([]complex128, len(w.now))
		copy(piece[from:to], w.now[from:to])
		by := j.along(piece, difference)
		if db := 20 * math.Log10(1+by); by > leastLeft-1 && math.Abs(db) >= leastDB {
			change(Change{Kind: BandChanged, LowHz: b.hz(from), HighHz: b.hz(to), ChangeDB: db}, -1, 2, func(k int) complex128 {
				if k < from || k >= to {
					return 0
				}
				return complex(by, 0)
			})
		}
	}
	for i, p := range w.parts {
		name := b.parts[i].name
		if len(w.parts) > 1 {
			change(Change{Kind: Flipped, What: name}, i, 0, constant(-2))
			level(name, i, p)
		}
		change(Change{Kind: Lost, What: name}, i, 0, constant(-1))
		s := j.shift(p, plus(difference, p), farthest)
		if math.Abs(s) >= nearest {
			change(Change{Kind: Moved, What: name, ShiftMs: 1000 * s}, i, 1, func(k int) complex128 {
				return cmplx.Rect(1, -2*math.Pi*b.hz(k)*s) - 1
			})
		}
		for _, d := range drivers {
			hz, by := j.driver(d, p, difference)
			c := Change{Kind: BandLost, What: name, LowHz: hz, HighHz: b.hz(b.high)}
			if d.low {
				c.LowHz, c.HighHz = b.hz(b.low), hz
			}
			change(c, i, 2, func(k int) complex128 { return complex(by(b.hz(k))-1, 0) })
		}
	}
	return list
}

const (
	leastDB   = 1      // of a change of level
	leastLeft = 0.12   // of an amplitude, −18 dB; below, a loudspeaker is lost
	farthest  = 2.6e-3 // s, that a loudspeaker's delay may have changed by
	nearest   = 30e-6
)

// driver is one of a loudspeaker's drivers that may have died, with the crossover
// frequencies at which it may end and what the others leave at hz: the other side
// of a Linkwitz-Riley crossover of fourth order over the sum of both (Linkwitz
// 1976), 1/(1+s⁴), or of a slope of half of that.
type driver struct {
	low          bool
	least, up    float64 // Hz
	order        float64
	stepsPerOctv float64
}

var drivers = []driver{
	{false, 700, 6000, 4, 4},
	{false, 700, 6000, 2, 4},
	{true, 80, 500, 4, 4},
}

// driver finds the crossover frequency at which the loss of a driver describes
// the difference best.
func (j *judge) driver(d driver, p, difference []complex128) (hz float64, by func(hz float64) float64) {
	shape := func(fc float64) func(float64) float64 {
		return func(hz float64) float64 {
			s := math.Pow(hz/fc, d.order)
			if d.low {
				return s / (1 + s)
			}
			return 1 / (1 + s)
		}
	}
	best := math.Inf(1)
	for fc := d.least; fc <= d.up; fc *= math.Pow(2, 1/d.stepsPerOctv) {
		g, left := shape(fc), 0.0
		for k, weight := range j.weight {
			if weight > 0 {
				left += weight * abs2(difference[k]-p[k]*complex(g(j.w.b.hz(k))-1, 0))
			}
		}
		if left < best {
			best, hz, by = left, fc, g
		}
	}
	return hz, by
}

// gone is the loudspeaker that was lost, among causes of which the best one calls
// it softer; −1 when none was. Of a loudspeaker that is known by its arrival only
// most reverberation is nobody's, so that "all softer" explains more of its loss
// than its own silence does. But then the arrivals tell: one is gone, another is not.
func (j *judge) gone(causes []cause, best *cause) int {
	w := j.w
	if w.b.alone || best.explained > wellExplained || best.Kind != LevelChanged && best.Kind != BandChanged || best.ChangeDB > 0 {
		return -1
	}
	difference := minus(j.s.h, w.now)
	found, most, least := -1, lostExtent, math.Inf(1)
	for i, p := range w.parts {
		x := -j.along(p, difference)
		least = min(least, x)
		if x < most {
			continue
		}
		for n := range causes {
			if c := &causes[n]; c.Kind == Lost && c.What == w.b.parts[i].name && (best.What == "" || best.What == c.What) {
				found, most = n, x
			}
		}
	}
	if least > most/2 {
		return -1
	}
	return found
}

// lostExtent of an arrival missing, amplitude, is taken for all of it: 10 dB.
const lostExtent = 0.7

// reverberate has the reverberation of a component that is known by its arrival
// only change with it. It is nobody's, but if a share φ of its power is the
// component's, what is lost of it is like the whole with the coefficient φ, and
// leaves φ(1−φ) open. The share is fitted.
func (j *judge) reverberate(x *cause, by func(k int) complex128) {
	w := j.w
	if w.b.alone {
		return
	}
	rest := append([]complex128(nil), w.now...)
	for _, p := range w.parts {
		rest = minus(rest, p)
	}
	for k := range rest {
		rest[k] *= by(k)
	}
	share := min(max(j.along(rest, minus(j.s.h, x.mu)), 0), 1)
	x.free++
	x.mu = plus(x.mu, scaled(rest, complex(share, 0)))
	x.credit = j.share(rest)
	for i := range x.credit {
		x.credit[i] *= share * (1 - share)
	}
}

func minus(a, b []complex128) []complex128 {
	out := make([]complex128, len(a))
	for k, v := range a {
		out[k] = v - b[k]
	}
	return out
}

func plus(a, b []complex128) []complex128 {
	out := make([]complex128, len(a))
	for k, v := range a {
		out[k] = v + b[k]
	}
	return out
}

func scaled(h []complex128, by complex128) []complex128 {
	out := make([]complex128, len(h))
	for k, v := range h {
		out[k] = by * v
	}
	return out
}
