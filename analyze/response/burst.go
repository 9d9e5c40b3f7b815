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
	// past is E/X of the last segments left out, X taken for its phase only:
	// burstPast of them, far enough apart that noise in one is new in the next.
	past   [burstPast][]complex128
	energy [burstPast]float64 // sum of |E/X|² of each
	// How alike E/X is to what it was a window before, summed over the run.
	re, im, alike float64 // alike is the most that |re + j·im| can be
	bins          float64 // compared
}

const (
	// burstFactor is how much more than usual the unexplained energy must be: 6 dB.
	// The mean over tens of bins stays far below that by chance.
	burstFactor = 4
	// burstFloor is unexplained energy that does no harm, re the average.
	burstFloor = 1e-3
	// burstLearn is what the averages must be worth before they can judge.
	burstLearn = 6
	// burstStep is how many bins apart the comparison is made: neighbours under a
	// Hann window say nearly the same.
	burstStep = 2
	burstPast = 4
	// burstFollows is how alike E/X is a window later in a change; in a burst by
	// chance only, at most sqrt(burstChance/bins) in all but e^−burstChance of the
	// cases.
	burstFollows = 0.16
	burstChance  = 8
	// burstLimitS is how long a burst may last, burstLearnS how long it takes the
	// averages to learn what has changed.
	burstLimitS = 0.7
	burstLearnS = 3
	// burstDecayDBPerS is how fast the room forgets the reference: loud programme
	// leaves reverberation that the window does not explain.
	burstDecayDBPerS = 30
)

func (u *burst) plan(bins int) {
	for i := range u.past {
		u.past[i] = make([]complex128, (bins+burstStep-1)/burstStep)
	}
}

func (u *burst) reset() {
	*u = burst{past: u.past, letInS: math.Inf(-1)}
}

// disturbed judges the spectrum y of a segment against the averages so far, and
// keeps count. letInS is what the shortest window, which sees a change first and
// best, tells the others.
func (u *burst) disturbed(a *averages, b *band, y []complex128, letInS *float64) bool {
	// Of the run so far, every so manieth segment is compared with the one that
	// lies burstPast such steps, or a window, before.
	lag := min(burstPast, (b.size+b.hop-1)/b.hop)
	every := (b.size + b.hop*lag - 1) / (b.hop * lag)
	slot := u.run / every % lag
	r := a.unexplained(b, y, u.past[slot])
	hopS, sizeS := float64(b.hop)/b.rateHz, float64(b.size)/b.rateHz
	startS := float64(b.segment.start) / b.rateHz
	u.peak = max(r.level, u.peak*math.Pow(10, -burstDecayDBPerS*hopS/10))
	limit := int((sizeS+burstLimitS)/hopS) + 1
	switch {
	case startS <= max(u.letInS, *letInS):
		u.begin()
		return false
	case r.excess <= burstFactor*max(1, u.peak)*r.bins:
		if u.run > 0 && u.run >= b.size/b.hop-1 { // a burst is in every segment about it; less is chance
			u.count++
		}
		u.begin()
		return false
	}
	if u.run%every == 0 {
		if u.run >= lag*every {
			u.re, u.im = u.re+r.re, u.im+r.im
			u.alike += math.Sqrt(r.excess * u.energy[slot])
			u.bins += r.bins / float64(lag)
		}
		u.energy[slot] = r.excess
	}
	follows := u.bins > 0 && math.Hypot(u.re, u.im) > u.alike*max(burstFollows, math.Sqrt(burstChance/max(u.bins, r.bins)))
	if !follows && u.run < limit {
		u.run++
		return true
	}
	u.begin()
	u.letInS = startS + burstLearnS
	if b.decimation == 1 {
		*letInS = u.letInS
	}
	return false
}

// begin waits for a new run.
func (u *burst) begin() {
	u.run, u.re, u.im, u.alike, u.bins = 0, 0, 0, 0, 0
}

// residue is what the averages do not explain of a segment: E = Y − H·X.
type residue struct {
	bins   float64 // that were compared
	excess float64 // sum over them of |E|² in units of its average so far
	level  float64 // mean of |X|² in units of its average
	re, im float64 // sum of E/X times the conjugate of what it was
}

// unexplained compares a segment with the averages, and its E/X with what past
// holds, and puts it there.
func (a *averages) unexplained(b *band, y, past []complex128) (r residue) {
	for g := range a.groups {
		s := &a.groups[g]
		if s.averages() < burstLearn || b.silent(g) || b.segment.energy[g]*s.weight < quiet*s.xx {
			continue // cannot judge, or nothing is meant to be heard
		}
		from, to := b.groups[g], b.groups[g+1]
		for i := (from + burstStep - 1) / burstStep * burstStep; i < to; i += burstStep {
			c := &a.cells[i]
			if c.xx <= 0 || c.yy <= 0 || b.segment.power[i] <= 0 {
				continue
			}
			inverse := 1 / c.xx
			hr, hi := c.re*inverse, c.im*inverse
			xr, xi := real(b.segment.x[i]), imag(b.segment.x[i])
			er, ei := real(y[i])-hr*xr+hi*xi, imag(y[i])-hr*xi-hi*xr
			weight := s.weight / (c.yy - (c.re*c.re+c.im*c.im)*inverse + burstFloor*c.yy)
			r.excess += (er*er + ei*ei) * weight
			r.level += b.segment.power[i] * s.weight * inverse
			r.bins++
			scale := math.Sqrt(weight / b.segment.power[i])
			dr, di := scale*(er*xr+ei*xi), scale*(ei*xr-er*xi)
			was := past[i/burstStep]
			r.re += dr*real(was) + di*imag(was)
			r.im += di*real(was) - dr*imag(was)
			past[i/burstStep] = complex(dr, di)
		}
	}
	if r.bins > 0 {
		r.level /= r.bins
	}
	return r
}
