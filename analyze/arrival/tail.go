package arrival

import "math"

// What a steep crossover holds back of a box, its low driver, comes up to a few
// milliseconds behind the box's front, as loud as that and louder, and rings with
// lobes of both signs: a Linkwitz-Riley crossover of 48 dB an octave delays all
// below it by 0.83 of its periods, and more about it (Linkwitz, J. Audio Eng. Soc.
// 24, 1976: the sum of the two is an all-pass). It is no arrival. Another
// loudspeaker, and a reflection, has a front of its own.
const (
	// tailMs is how far behind a front a tail reaches.
	tailMs = 2.5
	// A tail may be as much louder than its front.
	tailGain = 3
	// aboutMs about a peak its steepness is looked for.
	aboutMs = 0.1
	// tailSteep is what share of the front's steepness a tail has at most, and
	// tailSteepWeak that of a weak one.
	tailSteep     = 0.55
	tailSteepWeak = 0.8
)

// tail says whether list[i] is but the tail of an earlier one; f.impulse came before.
func (f *Finder) tail(list []peak, i int) bool {
	own := -1.0
	for j, p := range list {
		off := (list[i].at - p.at) / f.grid * 1000
		if j == i || off <= aboutMs || off > tailMs || tailGain*math.Abs(p.amplitude) < math.Abs(list[i].amplitude) {
			continue
		}
		if own < 0 {
			own = f.steepness(list[i])
		}
		limit := tailSteep
		if math.Abs(list[i].amplitude) < underTail*math.Abs(p.amplitude) {
			limit = tailSteepWeak
		}
		// Steeper than a step from nothing is only a swing between lobes of both signs, as
		// a crossover makes of a front: that says nothing of how high it plays.
		if own < limit*min(f.steepness(p), 1) {
			return true
		}
	}
	return false
}

// steepness of the impulse response about a peak: its largest step from lag to lag
// re its largest value. It goes with the highest frequency in it.
func (f *Finder) steepness(p peak) float64 {
	w := f.Workspace
	n := len(w.r)
	at := n - (w.latest+w.ramp)/w.decimate + int(math.Round(f.delayOf(p)/float64(w.decimate)))
	reach := int(math.Ceil(aboutMs / 1000 * w.grid))
	step, top := 0.0, 0.0
	for k := at - reach; k <= at+reach; k++ {
		a, b := w.r[((k%n)+n)%n], w.r[((k+1)%n+n)%n]
		step, top = max(step, math.Abs(b-a)), max(top, math.Abs(a))
	}
	if top == 0 {
		return 0
	}
	return step / top
}
