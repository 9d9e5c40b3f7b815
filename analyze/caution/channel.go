package caution

import (
	"math"
	"slices"
)

const (
	segmentsPerS = 10 // levels kept
	// leastRail samples in a row at the rail are clipping. A recording that was
	// brought to full scale has one there (common practice, no source).
	leastRail = 2
	// leastFlat equal samples in a row at a channel's own maximum, leastFlats times:
	// clipped in front of a gain, or of a converter with less reach.
	leastFlat  = 3
	leastFlats = 3
	// leastZeros exact zeros in a row are no sound: a converter's noise has none.
	leastZeros = 16
	mostHoles  = 4096 // remembered a channel
)

// Rail counts samples at the rail in a row, two and more: what a converter does
// that is driven too hard. The zero Rail is ready.
type Rail struct {
	Samples uint64 // counted since the zero value
	run     int
}

// Add takes the next samples.
func (r *Rail) Add(x []float64) {
	for _, v := range x {
		if v < FullScale && v > -FullScale {
			r.run = 0
			continue
		}
		switch r.run++; {
		case r.run == leastRail:
			r.Samples += leastRail
		case r.run > leastRail:
			r.Samples++
		}
	}
}

// Break says that the next samples do not follow on the last ones: no run spans the
// two.
func (r *Rail) Break() { r.run = 0 }

// hole is a run of exact zeros between two samples that are not.
type hole struct {
	from, to int64   // samples
	step     float64 // the larger of those at its ends
}

// Channel watches the samples of one channel.
type Channel struct {
	perSegment int
	samples    int64
	sum        float64
	count      int
	power      []float32 // mean squares of the segments

	last      float64
	step      float64 // that led to it
	equal     int64   // samples equal to it in a row
	quantum   float64 // smallest step from sample to sample, +Inf without one
	low, high float64
	tops      [2]flat // at the lowest and the highest value

	lastRail, firstRail int64 // samples; −1: none
	railRun             int64
	rails               int64

	holes []hole

	first    float64 // sample
	lead     int64   // exact zeros in front
	leadStep float64 // that ended them
	leadRail int64   // samples at the rail in front
}

// flat counts the flat tops at an extreme.
type flat struct {
	value float64
	runs  int64
	first int64
}

// NewChannel wants the sample rate in hertz.
func NewChannel(rateHz float64) *Channel {
	return &Channel{perSegment: max(1, int(math.Round(rateHz/segmentsPerS))), quantum: math.Inf(1), lastRail: -2, firstRail: -1}
}

// Feed takes the next samples; ±1 is full scale.
func (c *Channel) Feed(x []float64) {
	for len(x) > 0 {
		n := min(len(x), c.perSegment-c.count)
		c.feed(x[:n])
		x = x[n:]
	}
}

// feed takes samples that do not reach over the end of a segment. Most segments
// have no two equal samples and none at the rail, and are done in one short loop.
func (c *Channel) feed(x []float64) {
	if c.samples == 0 {
		c.first, c.last = x[0], x[0]
	}
	sum, low, high, equal := survey(x, c.last)
	if high >= FullScale || low <= -FullScale {
		for i, v := range x {
			if v >= FullScale || v <= -FullScale {
				c.atRail(c.samples + int64(i))
			}
		}
	}
	if equal >= leastFlat-1 || c.equal >= leastFlat || x[0] == c.last || len(x) < 3 {
		c.runs(x)
	} else {
		for i := range min(len(x)-1, 32) { // enough to know how fine the samples are
			if d := math.Abs(x[i+1] - x[i]); d > 0 && d < c.quantum {
				c.quantum = d
			}
		}
		n := len(x)
		c.last, c.equal, c.step = x[n-1], 1, math.Abs(x[n-1]-x[n-2])
		if x[n-1] == x[n-2] {
			c.equal, c.step = 2, math.Abs(x[n-2]-x[n-3])
		}
	}
	c.low, c.high = min(c.low, low), max(c.high, high)
	if sum != sum { // no number: nothing that could be heard
		sum = 0
	}
	c.sum += sum
	c.samples += int64(len(x))
	if c.count += len(x); c.count == c.perSegment {
		c.power = append(c.power, float32(c.sum/float64(c.count)))
		c.sum, c.count = 0, 0
	}
}

// runs looks for samples that are equal, in a row.
func (c *Channel) runs(x []float64) {
	last, equal := c.last, c.equal
	for i, v := range x {
		if v == last {
			equal++
			continue
		}
		step := math.Abs(v - last)
		if equal >= leastFlat {
			c.ended(last, equal, step, c.samples+int64(i))
		}
		c.quantum = min(c.quantum, step)
		c.low, c.high = min(c.low, v), max(c.high, v)
		last, c.step, equal = v, step, 1
	}
	c.last, c.equal = last, equal
}

func (c *Channel) atRail(at int64) {
	if at != c.lastRail+1 {
		c.railRun = 0
	}
	if c.lastRail = at; at == c.railRun {
		c.leadRail++
	}
	switch c.railRun++; {
	case c.railRun == leastRail:
		if c.rails += leastRail; c.firstRail < 0 {
			c.firstRail = at - leastRail + 1
		}
	case c.railRun > leastRail:
		c.rails++
	}
}

// counted is how many of a run of samples at the rail count.
func counted(run int64) int64 {
	if run < leastRail {
		return 0
	}
	return run
}

// ended looks at a run of equal samples that the sample at the place at has
// ended with a step. A slow wave in few bits rests too, but comes and goes by its
// last bit.
func (c *Channel) ended(value float64, equal int64, step float64, at int64) {
	switch {
	case value == 0 && at == equal:
		c.lead, c.leadStep = equal, step
	case value == 0:
		if equal >= leastZeros {
			c.note(hole{at - equal, at, max(c.step, step)})
		}
	case !c.sudden(min(c.step, step)):
	case value == c.high:
		c.tops[1].note(value, at-equal)
	case value == c.low:
		c.tops[0].note(value, at-equal)
	}
}

// sudden: is a step more than the last bits of a channel as fine as is known?
func (c *Channel) sudden(step float64) bool { return step > 4*c.quantum }

// note remembers a hole. How fine the samples are may be known later only, so that slow
// waves are taken out where there are too many, and at last.
func (c *Channel) note(h hole) {
	if len(c.holes) == mostHoles {
		c.holes = slices.DeleteFunc(c.holes, func(h hole) bool { return !c.sudden(h.step) })
	}
	if len(c.holes) < mostHoles {
		c.holes = append(c.holes, h)
	}
}

// join goes on with what another channel has heard next; c has heard whole
// segments.
func (c *Channel) join(next *Channel) {
	if next.samples == 0 {
		return
	}
	zeros, step := int64(0), c.step
	if c.last == 0 {
		zeros = c.equal
	}
	switch {
	case next.first != 0:
		step = max(step, math.Abs(next.first))
	case next.lead > 0:
		zeros, step = zeros+next.lead, max(step, next.leadStep)
	}
	c.quantum = min(c.quantum, next.quantum)
	run := int64(0) // at the rail up to the seam
	if c.lastRail == c.samples-1 {
		run = c.railRun
	}
	c.rails += counted(run+next.leadRail) - counted(run) - counted(next.leadRail)
	if c.firstRail < 0 && run > 0 && next.leadRail > 0 && run+next.leadRail >= leastRail {
		c.firstRail = c.samples - run
	}
	silent := next.first == 0 && next.lead == 0 // to its end: the run goes on
	if zeros >= leastZeros && !silent && c.samples > 0 && c.equal < c.samples {
		c.note(hole{c.samples + next.lead - zeros, c.samples + next.lead, step})
	}
	for _, h := range next.holes {
		c.note(hole{h.from + c.samples, h.to + c.samples, h.step})
	}
	for i, f := range next.tops {
		f.first += c.samples
		switch mine := &c.tops[i]; {
		case f.runs == 0:
		case f.value == mine.value && mine.runs > 0:
			mine.runs += f.runs
		case math.Abs(f.value) > math.Abs(mine.value) || mine.runs == 0:
			*mine = f
		}
	}
	if c.firstRail < 0 && next.firstRail >= 0 {
		c.firstRail = next.firstRail + c.samples
	}
	c.rails += next.rails
	c.low, c.high = min(c.low, next.low), max(c.high, next.high)
	c.power = append(c.power, next.power...)
	if c.railRun = next.railRun; c.railRun == next.samples {
		c.railRun += run
	}
	c.lastRail = next.lastRail + c.samples
	switch {
	case silent && zeros > 0:
		c.equal += next.equal // and what led to it is as before
	case silent:
		c.last, c.step, c.equal = 0, math.Abs(c.last), next.equal
	default:
		c.last, c.step, c.equal = next.last, next.step, next.equal
	}
	if c.samples == 0 {
		c.first, c.lead, c.leadStep = next.first, next.lead, next.leadStep
	}
	c.sum, c.count, c.samples = next.sum, next.count, c.samples+next.samples
}

func (f *flat) note(value float64, at int64) {
	if value != f.value {
		*f = flat{value: value, first: at}
	}
	f.runs++
}

// clip is where a channel was clipped.
type clip struct {
	first int64 // sample; −1: nowhere
	count int64 // of samples at the rails, or of flat tops
	below bool  // not at the rails
}

// clipped: flat tells whether flat tops under full scale count.
func (c *Channel) clipped(flat bool) clip {
	if c.rails > 0 {
		return clip{c.firstRail, c.rails, false}
	}
	out := clip{first: -1}
	for i, extreme := range []float64{c.low, c.high} {
		f := c.tops[i]
		if !flat || f.runs < leastFlats || f.value != extreme || math.Abs(extreme) >= FullScale {
			continue
		}
		if out.first < 0 || f.first < out.first {
			out.first = f.first
		}
		out.count, out.below = out.count+f.runs, true
	}
	return out
}

// level is that of whole segment k, dBFS.
func (c *Channel) level(k int) float64 { return dbfs(float64(c.power[k])) }

// rms is that of all whole segments.
func (c *Channel) rms() float64 {
	sum := 0.0
	for _, p := range c.power {
		sum += float64(p)
	}
	return math.Sqrt(sum / max(1, float64(len(c.power))))
}

// flush makes what is left of a segment one, if that is at least half, and forgets the
// holes that are none.
func (c *Channel) flush() {
	if 2*c.count >= c.perSegment || len(c.power) == 0 && c.count > 0 {
		c.power = append(c.power, float32(c.sum/float64(c.count)))
	}
	c.sum, c.count = 0, 0
	c.holes = slices.DeleteFunc(c.holes, func(h hole) bool { return !c.sudden(h.step) })
}
