package planning

import (
	"errors"
	"fmt"
	"math"

	"plumbline/analyze/alignment"
	"plumbline/analyze/summation"
	"plumbline/stream/wire"
)

// SayCycles is how sure the cycle of a plan is, and why; b names the loudspeaker
// that is moved.
func SayCycles(c alignment.Cycles, b string) string {
	if c.Certainty == alignment.Sure {
		if !c.Narrow {
			return fmt.Sprintf("Sure: nothing else comes within %.1f dB.", alignment.CycleAlikeDB)
		}
		return fmt.Sprintf("Sure: no other cycle comes within %.1f dB.", alignment.CycleAlikeDB)
	}
	other := c.Alike[0]
	good := fmt.Sprintf("%s %.1f ms %s", b, math.Abs(other.StepMs), laterOrEarlier(other.StepMs))
	if other.Turned {
		good += " and turned over"
	}
	good += " is as good"
	switch {
	case other.LessDB >= 0.05:
		good += fmt.Sprintf(" (%.1f dB less)", other.LessDB)
	case other.LessDB <= -0.05:
		good += fmt.Sprintf(" (%.1f dB more)", -other.LessDB)
	}
	if n := len(c.Alike) - 1; n == 1 {
		good += ", and so is another"
	} else if n > 1 {
		good += fmt.Sprintf(", and so are %d others", n)
	}
	if c.Certainty == alignment.Likely {
		return fmt.Sprintf("Likely: %s, but the phase slopes speak for the plan (%.1f ms apart, there %.1f).", good, math.Abs(c.SlopeMs), math.Abs(other.SlopeMs))
	}
	if !c.Narrow {
		return fmt.Sprintf("Cannot tell which is best: %s.", good)
	}
	text := fmt.Sprintf("Cannot tell which cycle: %s, and the phase slopes do not decide", good)
	if c.Smallest {
		return text + ": the plan takes the smaller step."
	}
	return text + "."
}

func laterOrEarlier(ms float64) string {
	if ms < 0 {
		return "earlier"
	}
	return "later"
}

// sayNo is why two loudspeakers cannot be aligned, with their names.
func sayNo(err error, main, fill string) string {
	if none := (*summation.NoOverlapError)(nil); errors.As(err, &none) {
		return none.Words(main, fill)
	}
	return err.Error()
}

// SayCertainty is how sure a plan is, and why; a and b are the loudspeakers.
func SayCertainty(r *alignment.Result, a, b string) (certainty, reason string) {
	c, why := r.Certainty()
	half := (r.PlanIn.HighDB - r.PlanIn.LowDB) / 2
	start := "Likely"
	if c == alignment.CannotTell {
		start = "Cannot tell for sure"
	}
	switch why {
	case alignment.ByArrivals:
		reason = fmt.Sprintf("%s: noise hides the phases, so the plan follows the arrivals of %s and %s, known within ±%.2f ms. Play louder or longer to be sure.", start, a, b, 2*r.DelaySDMs)
	case alignment.ByNoise:
		reason = fmt.Sprintf("%s: noise leaves open by ±%.1f dB what the plan gives. Play louder or longer to be sure.", start, half)
	default:
		reason = SayCycles(r.Cycles, b)
	}
	return c.String(), reason
}

// sayCertainty fills in how sure the plan is, and which cycle it is on.
func (s *solution) sayCertainty(a *wire.Align) {
	c := s.result.Cycles
	a.Certainty, a.Reason = SayCertainty(s.result, s.query.Main, s.query.Fill)
	for _, o := range c.Alike {
		a.Cycles = append(a.Cycles, wire.CycleObject{PlanObject: s.planObject(o.Setting), LessDB: wire.Value(o.LessDB), SlopeMs: wire.Value(o.SlopeMs)})
	}
	if a.Certainty != alignment.Sure.String() {
		s.reasons = append(s.reasons, a.Reason)
	}
}

// slopes are the group delays of a seat's pair over a narrow overlap; over a wide
// one no line is straight. B's is looked for two periods of
// the band's middle around its offset.
func (s *solution) slopes(pair *summation.Pair, offsetMs float64) wire.SlopesObject {
	if !s.result.Cycles.Narrow {
		unknown := wire.Unknown()
		return wire.SlopesObject{AMs: unknown, BMs: unknown, SDMs: unknown}
	}
	x := pair.Slopes(offsetMs, 2*s.result.Cycles.PeriodMs)
	return wire.SlopesObject{AMs: wire.Value(x.AMs), BMs: wire.Value(x.BMs), SDMs: wire.Value(x.SDMs)}
}
