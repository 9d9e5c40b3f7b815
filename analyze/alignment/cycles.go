package alignment

import (
	"math"
	"slices"

	"plumbline/analyze/summation"
)

// In an overlap of an octave, as a main and its sub have, a cycle more or half a
// cycle with the other polarity gives nearly the same sum: the efficiency alone
// does not tell which one the loudspeakers were made for. What does is how the
// phases run: where their slopes agree they stay together over the band.

// CycleAlikeDB is how much less another cycle may give and still count as as good.
const CycleAlikeDB = 0.5

// tieDB is what a plan may give away for slopes that agree, or for a smaller step.
const tieDB = 0.2

// worstTieDB is tieDB for the worst seat.
const worstTieDB = 0.05

// mostAlike is how many other cycles are told.
const mostAlike = 3

// NarrowOctaves is the overlap up to which cycles are mistaken for one another.
// In a wider one what is as good is another compromise between seats, and slopes
// do not choose.
const NarrowOctaves = 3

// Slopes tell when they differ by so many standard deviations, and by so much of a
// period: crossovers and boxes delay one side against the other by about as much.
const tellsSD, tellsPeriods = 2, 1.0 / 8

// Certainty is how sure it is which cycle a plan is on.
type Certainty int

// The certainties.
const (
	Sure       Certainty = iota // no other cycle comes near
	Likely                      // another is as good, and the phase slopes speak for the plan
	CannotTell                  // another is as good, and the slopes do not tell
)

func (c Certainty) String() string {
	return [...]string{"sure", "likely", "cannot tell"}[c]
}

// Cycle is one of the settings that bring two loudspeakers together in the middle
// of their overlap, a cycle or half of one with the other polarity from the next.
type Cycle struct {
	Setting
	StepMs  float64 // its delay less the plan's
	Turned  bool    // its polarity is not the plan's
	LessDB  float64 // what it gives less than the plan, by the aim; may be a little negative
	SlopeMs float64 // group delay of B after A's that is left, mean of the seats; 0: the phases run parallel
}

// Cycles is what is known of the cycle of a plan.
type Cycles struct {
	Certainty Certainty
	Narrow    bool    // the band is no wider than NarrowOctaves
	PeriodMs  float64 // of the middle of the band
	Alike     []Cycle // the others that are as good, the best first
	// SlopeMs is what the plan leaves, as in Cycle, and SDMs the standard deviation of
	// all SlopeMs; NaN where they are not asked for: nothing is alike, or the overlap is wide.
	SlopeMs, SDMs float64
	Smallest      bool // no other that is alike moves B by less
}

// cycle chooses among the optima that are alike. list holds those of the grid,
// the best first, and best the refined one.
func (p *Problem) cycle(best candidate, list []candidate, g grid) (candidate, Cycles) {
	c := Cycles{Narrow: p.band.Octaves() <= NarrowOctaves, PeriodMs: 1e3 / math.Sqrt(p.band.LowHz*p.band.HighHz), SlopeMs: math.NaN(), SDMs: math.NaN()}
	const near = 2 * CycleAlikeDB // on the grid, which is not exact
	apart := func(x, y candidate) bool { return math.Abs(x.DelayMs-y.DelayMs) >= c.PeriodMs/4 }
	others := slices.DeleteFunc(slices.Clone(list), func(o candidate) bool {
		return !apart(o, best) || o.valueDB < list[0].valueDB-near
	})
	if len(others) == 0 {
		return best, c
	}
	flat := p.flatness(best, g) // what lies within is a ripple of the same cycle
	alike := []candidate{best}
	for len(alike) <= mostAlike {
		others = slices.DeleteFunc(others, func(o candidate) bool {
			return math.Abs(o.DelayMs-best.DelayMs) < flat || slices.ContainsFunc(alike, func(a candidate) bool { return !apart(o, a) })
		})
		if len(others) == 0 {
			break
		}
		o := p.best(others, g, 8, 2)
		if best.valueDB-o.valueDB > CycleAlikeDB+tellsSD*p.differenceSD(best.Setting, o.Setting) {
			break
		}
		alike = append(alike, o)
	}
	if len(alike) == 1 {
		return best, c
	}
	plan, laterMs, tells := best, math.NaN(), math.NaN()
	left := func(x candidate) float64 { return laterMs + x.DelayMs }
	if c.Narrow {
		laterMs, c.SDMs = p.slopes(-best.DelayMs, (mostAlike+0.5)*c.PeriodMs)
		tells = max(tellsSD*c.SDMs, tellsPeriods*c.PeriodMs)
		tie := tieDB
		if p.cfg.Aim == Worst {
			tie = worstTieDB
		}
		plan = choose(alike, left, tells, tie)
	}
	c.SlopeMs, c.Certainty, c.Smallest = left(plan), CannotTell, true
	if math.Abs(c.SlopeMs) <= c.PeriodMs/2 {
		c.Certainty = Likely
	}
	for _, o := range alike {
		if o == plan {
			continue
		}
		c.Alike = append(c.Alike, Cycle{
			Setting: o.Setting, StepMs: o.DelayMs - plan.DelayMs, Turned: o.Sign != plan.Sign, LessDB: plan.valueDB - o.valueDB, SlopeMs: left(o),
		})
		c.Smallest = c.Smallest && math.Abs(plan.DelayMs) < math.Abs(o.DelayMs)
		if math.Abs(left(o)) < math.Abs(c.SlopeMs)+tells {
			c.Certainty = CannotTell
		}
	}
	return plan, c
}

// choose takes, of those that give hardly less than the first, the one whose
// slopes agree; where these do not tell, the smallest step.
func choose(alike []candidate, left func(candidate) float64, tells, tie float64) candidate {
	pool := slices.DeleteFunc(slices.Clone(alike), func(o candidate) bool { return alike[0].valueDB-o.valueDB > tie })
	least := math.Inf(1)
	for _, o := range pool {
		least = min(least, math.Abs(left(o)))
	}
	plan, step := alike[0], math.Inf(1)
	for _, o := range pool {
		if math.Abs(left(o)) <= least+tells && math.Abs(o.DelayMs) < step {
			plan, step = o, math.Abs(o.DelayMs)
		}
	}
	return plan
}

// slopes is B's group delay less A's, mean of the seats, and its standard
// deviation.
func (p *Problem) slopes(aroundMs, reachMs float64) (laterMs, sdMs float64) {
	found := make([]summation.Slopes, len(p.seats))
	p.cfg.Each(len(p.seats), func(i int) { found[i] = p.seats[i].pair.Slopes(aroundMs, reachMs) })
	variance := 0.0
	for _, s := range found {
		laterMs += s.LaterMs / float64(len(found))
		variance += s.SDMs * s.SDMs
	}
	return laterMs, math.Sqrt(variance) / float64(len(found))
}

// differenceSD is the standard deviation of the difference of two settings, dB, by the
// aim over the seats' mean, by the random errors of the takes.
func (p *Problem) differenceSD(x, y Setting) float64 {
	if !p.clear() {
		return p.doubts([]Setting{x, y}).between(0, 1)
	}
	sum := 0.0
	for i := range p.seats {
		sd := p.seats[i].errorSD(x, &y)
		sum += sd * sd
	}
	return math.Sqrt(sum) / float64(len(p.seats))
}

// inCycle is what B is against A at a seat (from 0), given what would be best for
// that seat alone: on the plan's cycle and with its polarity, if that is as good
// there.
func (p *Problem) inCycle(i int, own candidate, plan Setting, g grid) summation.Offset {
	s := p.seats[i].asMeasured()
	own.valueDB = s.efficiency(own.Setting)
	halfMs := 500 / math.Sqrt(p.band.LowHz*p.band.HighHz)
	stepMs := g.step * 1e3
	n := 2*int(halfMs/stepMs) + 1
	values := make([]float64, n)
	var w sweep
	from := plan.DelayMs - float64(n/2)*stepMs
	x := Setting{Sign: plan.Sign}
	w.line(values, s, x, from, stepMs)
	best := 0
	for k, v := range values {
		if v > values[best] {
			best = k
		}
	}
	near := candidate{Setting{DelayMs: from + float64(best)*stepMs, Sign: plan.Sign}, values[best]}
	inside := best > 0 && best < n-1
	if inside {
		near.climb(stepMs, func(dst []float64, x Setting, fromMs, stepMs float64) { w.line(dst, s, x, fromMs, stepMs) })
	}
	if !inside || near.valueDB < own.valueDB-CycleAlikeDB {
		near = own
	}
	near = p.atPoint(i, near)
	return summation.Offset{Ms: -near.DelayMs, Sign: near.Sign}
}

// asMeasured is the seat with each point as it was measured: what lies around it has
// a delay of its own, and no say in where this one is. Where noise is louder than
// the signal there is nothing else to go by.
func (s *seat) asMeasured() *seat {
	if s.belief.Clear {
		return s
	}
	var noise, level float64
	for k := range s.pair.Weight {
		a, b := s.pair.Variances(k)
		w := s.pair.Weight[k]
		noise += w * (a/s.levelA + b/s.levelB) / 2
		level += w
	}
	if noise > level {
		return s
	}
	one := *s
	one.fill(summation.Exactly(s.pair.A, s.pair.B))
	one.unlike1 = one.unlike(1)
	return &one
}

// atPoint is what is best at the microphone of a seat within a quarter period of c,
// of the highest frequency that a spread leaves: where the sound arrives is no matter
// of the places about it.
func (p *Problem) atPoint(i int, c candidate) candidate {
	if p.points == nil {
		return c
	}
	s := p.points.seats[i].asMeasured()
	stepMs := 2 * math.Pi / (stepsPerPeriod * p.points.top()) * 1e3
	n := 2*int(2*math.Pi/(4*p.top())*1e3/stepMs) + 3
	values := make([]float64, n)
	var w sweep
	from := c.DelayMs - float64(n/2)*stepMs
	w.line(values, s, c.Setting, from, stepMs)
	best := 0
	for k, v := range values {
		if v > values[best] {
			best = k
		}
	}
	c.DelayMs, c.valueDB = from+float64(best)*stepMs, values[best]
	c.climb(stepMs, func(dst []float64, x Setting, fromMs, stepMs float64) { w.line(dst, s, x, fromMs, stepMs) })
	return c
}
