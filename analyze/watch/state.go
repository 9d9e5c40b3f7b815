package watch

import (
	"math"
	"math/cmplx"
)

// active is something that is different from the baseline.
type active struct {
	Change
	before *inForce // what was in force before it; nil: that is not known
}

// inForce is a response with its components, heard in the air of taken.
type inForce struct {
	parts, rest []stretchable
	taken       float64
}

// surely is by how many standard deviations something must exceed noise to be more.
const surely = 4

// deepest is how many changes on top of each other are remembered.
const deepest = 4

// wrong tells whether anything is different from the baseline, as far as is known.
func (w *Watch) wrong() bool { return len(w.active) > 0 }

// State is what is wrong at present, the newest of several; ok when nothing is.
func (w *Watch) State() (c Change, ok bool) {
	if w.wrong() {
		return w.active[len(w.active)-1].Change, false
	}
	return Change{}, !w.deaf
}

// undoings are the ways back: to the baseline, to how it was before the newest
// changes, and to all but one of them, whatever else has changed unnoticed.
func (w *Watch) undoings() (list []cause) {
	last := len(w.active) - 1
	if last < 0 {
		return nil
	}
	whole, base := w.climate.baseline()
	all := Change{Kind: Restored}
	if last == 0 {
		all.What = w.active[0].What
	}
	list = append(list, cause{Change: all, mu: whole, free: -asBefore, left: []active{}})
	for i := 1; i <= last; i++ {
		if f := w.active[i].before; f != nil {
			list = append(list, cause{
				Change: Change{Kind: Restored, What: w.active[i].What}, mu: w.climate.of(f), free: -asBefore, back: f, left: w.active[:i:i],
			})
		}
	}
	for i, a := range w.active {
		c := cause{Change: Change{Kind: Restored, What: a.What}, free: -asBefore, parts: append([][]complex128(nil), w.parts...)}
		for n, rest := range w.active {
			if n != i { // what was in force before a later one had this one in it
				c.left = append(c.left, active{Change: rest.Change})
			}
		}
		switch n := w.b.partOf(a.Change); {
		case n >= 0:
			c.parts[n] = base[n]
			c.mu = plus(w.now, minus(base[n], w.parts[n]))
		case a.Kind == Flipped || a.Kind == LevelChanged:
			for n, p := range w.parts {
				c.parts[n] = a.undo(p)
			}
			c.mu = a.undo(w.now)
		case i == last:
			continue
		default: // the microphone is back, and the others go on
			c.mu, c.parts = whole, append([][]complex128(nil), base...)
			for _, rest := range c.left {
				c.mu = w.b.apply(rest.Change, c.mu, c.parts)
			}
		}
		list = append(list, c)
	}
	for i := range list {
		list[i].kelvin = w.climate.change
	}
	return list
}

// inOtherAir is the way back to the baseline where the air has changed with it: what
// was followed while something else was in force may be as wrong as that was. Asked
// are the temperature that fits the baseline best, and its own.
func (j *judge) inOtherAir() (list []cause) {
	w := j.w
	if !w.wrong() {
		return nil
	}
	all := Change{Kind: Restored}
	if len(w.active) == 1 {
		all.What = w.active[0].What
	}
	c := w.climate
	c.put(w.b.inForce())
	for _, kelvin := range []float64{c.search(w, j.s.xx, j.s.xy, j.perEnergy()), 0} {
		x := cause{Change: all, free: 1 - asBefore, left: []active{}, kelvin: kelvin}
		x.mu, _ = c.at(kelvin)
		list = append(list, x)
	}
	return list
}

// undo takes back a change of everything.
func (c Change) undo(h []complex128) []complex128 {
	if c.Kind == Flipped {
		return scaled(h, -1)
	}
	return scaled(h, complex(math.Pow(10, -c.ChangeDB/20), 0))
}

// apply makes a change to a response and its components, and returns the response.
func (b *Baseline) apply(c Change, whole []complex128, parts [][]complex128) []complex128 {
	by := func(k int) complex128 {
		switch c.Kind {
		case Flipped:
			return -1
		case Lost:
			return 0
		case LevelChanged:
			return complex(math.Pow(10, c.ChangeDB/20), 0)
		case Moved:
			return cmplx.Rect(1, -2*math.Pi*b.hz(k)*c.ShiftMs/1000)
		case BandLost:
			if hz := b.hz(k); hz >= c.LowHz && hz < c.HighHz {
				return 0
			}
		}
		return 1
	}
	changed := func(h []complex128) []complex128 {
		out := append([]complex128(nil), h...)
		for k := b.low; k < b.high; k++ {
			out[k] *= by(k)
		}
		return out
	}
	n := b.partOf(c)
	if n < 0 {
		for i, p := range parts {
			parts[i] = changed(p)
		}
		return changed(whole)
	}
	before := parts[n]
	parts[n] = changed(before)
	return plus(whole, minus(parts[n], before))
}

// partOf is the component that a change concerns; −1: all, or none of them.
func (b *Baseline) partOf(c Change) int {
	if c.What == "" {
		return -1
	}
	for i, p := range b.parts {
		if p.name == c.What {
			return i
		}
	}
	return -1
}

// accept puts what was heard since a change in force, and forgets what was before.
func (w *Watch) accept(c *cause, s *snapshot) {
	before := w.climate.inForce()
	w.rest()
	w.recent.restart(s)
	copy(w.noise, s.noise)
	w.learning = 0
	switch {
	case c.Kind != Restored:
		a := active{Change: c.Change}
		if w.wrong() {
			a.before = before
		}
		w.active = append(w.active, a)
		if len(w.active) > deepest {
			w.active = append([]active(nil), w.active[1:]...)
		}
	case len(c.left) == 0:
		w.climate.change = c.kelvin
		w.restore()
		return
	default:
		w.active = c.left
		if c.back != nil {
			w.climate.put(c.back)
			w.now, w.parts = w.climate.responses()
			w.arm()
			return
		}
	}
	w.learning = relearn
	copy(w.newXX, s.xx)
	copy(w.newXY, s.xy)
	w.measured(s.xx, s.noise)
	// What its cause says, and besides that only what was surely heard: noise in force
	// would be found missing.
	w.now, w.parts = plus(c.mu, w.sure(minus(s.h, c.mu), 1)), c.parts
	w.climate.renew(w.now, w.parts)
	w.arm()
}

// restore puts the baseline back in force.
func (w *Watch) restore() {
	w.climate.put(w.b.inForce())
	w.now, w.parts = w.climate.responses()
	w.active = nil
	w.arm()
}

// measured notes how well a response is known from so much energy and noise.
func (w *Watch) measured(xx, noise []float64) {
	for k, xx := range xx {
		if xx > 0 {
			w.variance[k] = noise[k] / xx
		}
	}
}

// sure is what of a difference between two responses is not noise, if so many of them
// were measured as well as the one measured last, by third of an octave: the estimate
// of least mean square error by a common factor (Wiener; James and Stein 1961).
//
// Less than chance would give it is nothing: a mean of n complex Gaussian powers has a
// standard deviation of 1/√n, and neighbouring bins are alike.
func (w *Watch) sure(d []complex128, responses float64) []complex128 {
	bounds := w.recent.bounds
	for i := range len(bounds) + 1 { // and what is left over at both ends
		from, to := w.b.low, w.b.high
		if i > 0 {
			from = bounds[i-1]
		}
		if i < len(bounds) {
			to = bounds[i]
		}
		var all, noise float64
		for k := from; k < to; k++ {
			all += abs2(d[k])
			noise += responses * w.variance[k]
		}
		by := complex(0, 0)
		if all > noise*(1+surely*math.Sqrt(leastSpread/float64(to-from))) {
			by = complex(1-noise/all, 0)
		}
		for k := from; k < to; k++ {
			d[k] *= by
		}
	}
	return d
}

// learn improves the response that a change has left behind by what is heard
// until the next one.
func (w *Watch) learn() {
	if w.learning == 0 || w.suspicious() {
		return
	}
	for k := w.b.low; k < w.b.high; k++ {
		w.newXX[k] += w.xx[k]
		w.newXY[k] += w.ex[k] + w.now[k]*complex(w.xx[k], 0)
	}
	if w.learning--; w.learning > 0 {
		return
	}
	w.measured(w.newXX, w.noise)
	more := make([]complex128, len(w.now))
	for k, xx := range w.newXX {
		if xx > 0 {
			more[k] = w.newXY[k]/complex(xx, 0) - w.now[k]
		}
	}
	w.now = plus(w.now, w.sure(more, 1))
	w.climate.renew(w.now, w.parts)
	w.rearm()
}
