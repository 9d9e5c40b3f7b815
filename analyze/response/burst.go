package response

// burst finds segments whose microphone holds much more than the reference
// explains: a dropped case, a shout. What lasts is no burst but a change, and is
// let in.
type burst struct {
	count uint64  // bursts that ended
	run   int     // segments left out in a row
	pass  int     // segments still to be let in after a change
	peak  float64 // level of the reference, lately, re its average
}

const (
	// burstFactor is how much more than usual the unexplained energy must be: 6 dB.
	// The mean over tens of bins stays far below that by chance.
	burstFactor = 4
	// burstFloor is unexplained energy that does no harm, re the average.
	burstFloor = 1e-3
	// burstLearn is what the averages must be worth before they can judge.
	burstLearn = 6
	// burstLimitS is how long a burst may last.
	burstLimitS = 0.7
	// burstDecayDB is how fast the room forgets the reference, per second: loud
	// programme leaves reverberation that the window does not explain.
	burstDecayDBPerS = 30
)

// disturbed judges the spectrum y of a segment against the averages so far, and
// keeps count.
func (u *burst) disturbed(a *averages, b *band, y []complex128) bool {
	excess, level := a.unexplained(b, y)
	hop := float64(b.hop) / b.rateHz
	u.peak = max(level, u.peak*decibels(-burstDecayDBPerS*hop))
	limit := int((float64(b.size)/b.rateHz+burstLimitS)/hop) + 1
	switch {
	case u.pass > 0:
		u.pass--
		return false
	case excess > burstFactor*max(1, u.peak):
		u.run++
		if u.run > limit {
			u.run, u.pass = 0, 4*limit
			return false
		}
		return true
	}
	if u.run > 0 {
		u.run = 0
		u.count++
	}
	return false
}

// unexplained is the mean over the bins of |Y − H·X|², in units of its average
// so far, and the mean of |X|² in units of its average. Every second bin will
// do: neighbours under a Hann window say nearly the same.
func (a *averages) unexplained(b *band, y []complex128) (excess, level float64) {
	bins := 0
	for g := range a.groups {
		s := &a.groups[g]
		if s.averages() < burstLearn || b.silent(g) {
			continue
		}
		for i := b.groups[g]; i < b.groups[g+1]; i += 2 {
			c := &a.cells[i]
			if c.xx <= 0 || c.yy <= 0 {
				continue
			}
			inverse := 1 / c.xx
			hr, hi := c.re*inverse, c.im*inverse
			xr, xi := real(b.x[i]), imag(b.x[i])
			er, ei := real(y[i])-hr*xr+hi*xi, imag(y[i])-hr*xi-hi*xr
			noise := c.yy - (c.re*c.re+c.im*c.im)*inverse + burstFloor*c.yy
			excess += (er*er + ei*ei) * s.weight / noise
			level += b.power[i] * s.weight * inverse
			bins++
		}
	}
	if bins == 0 {
		return 0, 0
	}
	return excess / float64(bins), level / float64(bins)
}
