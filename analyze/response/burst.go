package response

import "math"

// burst finds segments whose microphone holds much more than the reference
// explains: a dropped case, a shout. What follows the reference in another way
// than before, because a loudspeaker was switched, turned or moved, is a change
// and let in at once; so is, after a while, noise that stays.
type burst struct {
	count  uint64  // bursts that ended
	run    int     // segments left out in a row
	peak   float64 // level of the reference, lately, re its average
	letInS float64 // segments that begin before are let in, after a change
}

const (
	// burstFactor is how much more than usual the unexplained energy must be: 6 dB.
	// The mean over tens of bins stays far below that by chance.
	burstFactor = 4
	// burstFloor is unexplained energy that does no harm, re the average.
	burstFloor = 1e-3
	// burstLearn is what the averages must be worth before they can judge.
	burstLearn = 6
	// burstFollows is how alike neighbouring bins of the unexplained part over the
	// reference are in a change; in a burst they are so by chance only, at most
	// sqrt(burstChance/bins) in all but e^−burstChance of the cases.
	burstFollows = 0.3
	burstChance  = 5
	// burstLimitS is how long a burst may last.
	burstLimitS = 0.7
	// burstDecayDBPerS is how fast the room forgets the reference: loud programme
	// leaves reverberation that the window does not explain.
	burstDecayDBPerS = 30
)

// disturbed judges the spectrum y of a segment against the averages so far, and
// keeps count. letInS is what the shortest window, which sees a change first and
// best, tells the others.
func (u *burst) disturbed(a *averages, b *band, y []complex128, letInS *float64) bool {
	r := a.unexplained(b, y)
	hopS, sizeS := float64(b.hop)/b.rateHz, float64(b.size)/b.rateHz
	startS := float64(b.next) / b.rateHz
	u.peak = max(r.level, u.peak*math.Pow(10, -burstDecayDBPerS*hopS/10))
	limit := int((sizeS+burstLimitS)/hopS) + 1
	unusual := r.excess > burstFactor*max(1, u.peak)
	changed := func(untilS float64) {
		u.run, u.letInS = 0, untilS
		if b.decimation == 1 {
			*letInS = untilS
		}
	}
	switch {
	case startS <= max(u.letInS, *letInS):
		u.run = 0
	case unusual && r.follows > max(burstFollows, math.Sqrt(burstChance/r.bins)):
		changed(startS + sizeS)
	case unusual && u.run == limit:
		changed(startS + 4*(sizeS+burstLimitS)) // time to learn the new noise
	case unusual:
		u.run++
		return true
	case u.run > 0:
		if u.run >= b.size/b.hop-1 { // a burst is in every segment about it; less is chance
			u.count++
		}
		u.run = 0
	}
	return false
}

// residue is what the averages do not explain of a segment.
type residue struct {
	bins    float64 // that were compared
	excess  float64 // mean over them of |E|² = |Y − H·X|² in units of its average so far
	level   float64 // mean of |X|² in units of its average
	follows float64 // 0…1, how alike E/X is in neighbouring bins
}

// unexplained compares a segment with the averages. Every second bin will do:
// neighbours under a Hann window say nearly the same.
//
// If E is the reference through some other path, E/X changes little from bin to
// bin, but for a turn that is the same everywhere: what follows measures.
func (a *averages) unexplained(b *band, y []complex128) (r residue) {
	var re, im, lastRe, lastIm float64
	for g := range a.groups {
		s := &a.groups[g]
		if s.averages() < burstLearn || b.silent(g) {
			continue
		}
		for i := b.groups[g]; i < b.groups[g+1]; i += 2 {
			c := &a.cells[i]
			if c.xx <= 0 || c.yy <= 0 || b.power[i] <= 0 {
				continue
			}
			inverse := 1 / c.xx
			hr, hi := c.re*inverse, c.im*inverse
			xr, xi := real(b.x[i]), imag(b.x[i])
			er, ei := real(y[i])-hr*xr+hi*xi, imag(y[i])-hr*xi-hi*xr
			weight := s.weight / (c.yy - (c.re*c.re+c.im*c.im)*inverse + burstFloor*c.yy)
			r.excess += (er*er + ei*ei) * weight
			r.level += b.power[i] * s.weight * inverse
			r.bins++
			scale := math.Sqrt(weight / b.power[i])
			dr, di := scale*(er*xr+ei*xi), scale*(ei*xr-er*xi)
			re += dr*lastRe + di*lastIm
			im += di*lastRe - dr*lastIm
			lastRe, lastIm = dr, di
		}
	}
	if r.bins > 0 && r.excess > 0 {
		r.follows = math.Hypot(re, im) / r.excess
		r.excess /= r.bins
		r.level /= r.bins
	}
	return r
}
