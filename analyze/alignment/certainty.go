package alignment

import "math"

// Noisy is half the width of a plan's interval, dB, above which it is not sure what the
// plan gives, and blind that above which nobody can tell.
const (
	NoisyDB = 1
	blindDB = 3
)

// Why says what a certainty rests on.
type Why int

// What keeps a plan from being sure.
const (
	ByCycles   Why = iota // Result.Cycles has it
	ByArrivals            // the plan is the arrivals', since the phases tell no better
	ByNoise               // what the plan gives is known to its interval only
)

// Certainty is how sure the plan is, and what that rests on: the least of which cycle
// it is on, whether its delay is known to within what half a decibel allows, and how
// well it is known what it gives.
func (r *Result) Certainty() (c Certainty, why Why) {
	c = r.Cycles.Certainty
	less := func(to Certainty, by Why) {
		if to > c {
			c, why = to, by
		}
	}
	if r.Follows {
		less(Likely, ByArrivals)
		if 2*r.DelaySDMs > r.FlatnessMs {
			less(CannotTell, ByArrivals)
		}
	}
	half := (r.PlanIn.HighDB - r.PlanIn.LowDB) / 2
	if half > NoisyDB {
		less(Likely, ByNoise)
	}
	if half > blindDB || math.IsNaN(half) {
		less(CannotTell, ByNoise)
	}
	return c, why
}
