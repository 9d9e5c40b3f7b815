package alignment

import (
	"cmp"
	"math"
	"slices"

	"plumbline/analyze/summation"
)

// Result is the plan and what it does.
type Result struct {
	Band       summation.Band
	Aim        Aim
	Plan       Setting
	RunnerUp   Setting // the best elsewhere, see Solve; Sign 0 when there is none. Of two that are alike it may be the louder by a hair
	TodayDB    float64 // efficiency by the aim with nothing dialled in
	PlanDB     float64
	RunnerUpDB float64
	Cycles     Cycles  // which of the cycles that are alike the plan is on
	FlatnessMs float64 // how far the delay may move, either way, before FlatDB is lost
	Seats      []SeatResult
}

// FlatDB is the loss that Result.FlatnessMs allows.
const FlatDB = 0.5

// SeatResult is the efficiency at one seat.
type SeatResult struct {
	TodayDB, PlanDB, RunnerUpDB float64
	// OffsetMs is B's arrival minus A's: minus the delay of B that would be best
	// for this seat alone, with the polarity OffsetSign; of cycles that are alike
	// there, the plan's.
	OffsetMs   float64
	OffsetSign int
}

// candidate is a local optimum.
type candidate struct {
	Setting
	valueDB float64
}

// Solve searches every delay within ±MaxDelayMs in steps finer than
// 1/(8 f_max) with both polarities, then refines the best. The runner-up is the
// best that lies farther from the plan than its flatness and than a quarter
// period of the band's middle, so that it is another choice and not a ripple.
func (p *Problem) Solve() *Result {
	g := p.grid(p.cfg.MaxDelayMs)
	total, own := p.scan(g)
	if p.wideMs > p.cfg.MaxDelayMs { // what may be dialled in is no bound on what is there
		_, own = p.scan(p.grid(p.wideMs))
	}
	list := p.maxima(total, g)
	best := p.best(list, g, 24, 6)
	best, cycles := p.cycle(best, list, g)
	result := &Result{Band: p.band, Aim: p.cfg.Aim, Plan: best.Setting, Cycles: cycles}
	result.FlatnessMs = p.flatness(best, g)
	apart := max(result.FlatnessMs, 250/math.Sqrt(p.band.LowHz*p.band.HighHz))
	list = slices.DeleteFunc(list, func(c candidate) bool { return math.Abs(c.DelayMs-best.DelayMs) < apart })
	if len(list) > 0 {
		result.RunnerUp = p.best(list, g, 12, 2).Setting
	}
	today, todayDB := p.Efficiency(nil, Setting{Sign: 1})
	plan, planDB := p.Efficiency(nil, result.Plan)
	result.TodayDB, result.PlanDB, result.RunnerUpDB = todayDB, planDB, math.NaN()
	for i := range p.seats {
		offset := p.inCycle(i, own[i], result.Plan, g)
		result.Seats = append(result.Seats, SeatResult{
			TodayDB: today[i], PlanDB: plan[i], RunnerUpDB: math.NaN(), OffsetMs: offset.Ms, OffsetSign: offset.Sign,
		})
	}
	if result.RunnerUp.Sign != 0 {
		var second []float64
		second, result.RunnerUpDB = p.Efficiency(nil, result.RunnerUp)
		for i := range second {
			result.Seats[i].RunnerUpDB = second[i]
		}
	}
	return result
}

// scan returns the aim over all seats on the grid (p = +1, −1) and each seat's
// own best.
func (p *Problem) scan(g grid) (total [2][]float64, own []candidate) {
	total = [2][]float64{make([]float64, g.size()), make([]float64, g.size())}
	own = make([]candidate, len(p.seats))
	each := make([][2][]float64, len(p.seats))
	p.cfg.Each(len(p.seats), func(i int) {
		var w sweep
		s := &p.seats[i]
		each[i] = [2][]float64{make([]float64, g.size()), make([]float64, g.size())}
		w.efficiencies(each[i][0], each[i][1], s, g)
		best := candidate{valueDB: math.Inf(-1)}
		for sign, values := range each[i] {
			for n, v := range values {
				if v > best.valueDB {
					best = candidate{Setting{DelayMs: g.delayMs(n), Sign: 1 - 2*sign}, v}
				}
			}
		}
		best.valueDB = s.efficiency(best.Setting) // the grid's is interpolated
		best.climb(g.step*1e3, func(dst []float64, x Setting, fromMs, stepMs float64) {
			w.line(dst, s, x, fromMs, stepMs)
		})
		own[i] = best
	})
	for i, one := range each {
		for sign, values := range one {
			p.gather(total[sign], values, i)
		}
	}
	return total, own
}

// maxima returns the local optima of the grid, the best first.
func (p *Problem) maxima(total [2][]float64, g grid) []candidate {
	var list []candidate
	for sign, values := range total {
		for n, v := range values {
			delayMs := g.delayMs(n)
			if math.Abs(delayMs) <= p.cfg.MaxDelayMs &&
				(n == 0 || values[n-1] <= v) && (n == len(values)-1 || values[n+1] < v) {
				list = append(list, candidate{Setting{DelayMs: delayMs, Sign: 1 - 2*sign}, v})
			}
		}
	}
	if len(list) == 0 { // one slope from end to end
		list = append(list, candidate{Setting: Setting{Sign: 1}})
	}
	bestFirst(list)
	return list
}

// best evaluates the first keep of list exactly, refines the finest of them
// and returns the best.
func (p *Problem) best(list []candidate, g grid, keep, finest int) candidate {
	list = slices.Clone(list[:min(keep, len(list))])
	p.cfg.Each(len(list), func(i int) {
		list[i].valueDB = p.value(make([]float64, len(p.seats)), list[i].Setting)
	})
	bestFirst(list)
	list = list[:min(finest, len(list))]
	p.cfg.Each(len(list), func(i int) {
		scratch := make([]float64, len(p.seats))
		value := func(x Setting) float64 { return p.value(scratch, x) }
		var w sweep
		line := func(dst []float64, x Setting, fromMs, stepMs float64) { p.line(&w, dst, x, fromMs, stepMs) }
		c := &list[i]
		c.climb(g.step*1e3, line)
		if p.cfg.Gain {
			for range 2 {
				c.level(p.cfg.MaxGainDB, value)
				c.climb(g.step*1e3, line)
			}
		}
		if beyond := min(max(c.DelayMs, -p.cfg.MaxDelayMs), p.cfg.MaxDelayMs); beyond != c.DelayMs {
			c.DelayMs = beyond
			c.valueDB = value(c.Setting)
		}
	})
	bestFirst(list)
	return list[0]
}

func bestFirst(list []candidate) {
	slices.SortStableFunc(list, func(a, b candidate) int { return cmp.Compare(b.valueDB, a.valueDB) })
}

// climb refines the delay: within two steps of the grid in quarters of a step,
// then within ever smaller neighbourhoods, to a 256th. Where cells nearly cancel the
// efficiency has ripples finer than the grid, and the worst seat's has kinks,
// which rules derivatives out.
func (c *candidate) climb(stepMs float64, line func(dst []float64, x Setting, fromMs, stepMs float64)) {
	var values [17]float64
	const middle = len(values) / 2
	for part := stepMs / 4; part > stepMs/300; part /= 8 {
		from := c.DelayMs - float64(middle)*part
		line(values[:], c.Setting, from, part)
		for n, v := range values {
			if v > c.valueDB {
				c.DelayMs, c.valueDB = from+float64(n)*part, v
			}
		}
	}
}

// level finds the best gain: in steps of 1 dB, then by golden section.
func (c *candidate) level(maxDB float64, value func(Setting) float64) {
	x := c.Setting
	at := func(db float64) float64 {
		x.GainDB = db
		return value(x)
	}
	start, best := c.GainDB, at(c.GainDB)
	for db := -math.Floor(maxDB); db <= maxDB; db++ {
		if v := at(db); v > best {
			start, best = db, v
		}
	}
	v, db := golden(max(start-1, -maxDB), min(start+1, maxDB), 0.01, at)
	if v < best {
		v, db = best, start
	}
	c.GainDB, c.valueDB = db, v
}

// golden returns the maximum of f between a and b and where it lies, to within tolerance.
func golden(a, b, tolerance float64, f func(float64) float64) (best, at float64) {
	const ratio = 0.6180339887498949
	x1, x2 := b-ratio*(b-a), a+ratio*(b-a)
	f1, f2 := f(x1), f(x2)
	for b-a > tolerance {
		if f1 > f2 {
			b, x2, f2 = x2, x1, f1
			x1 = b - ratio*(b-a)
			f1 = f(x1)
		} else {
			a, x1, f1 = x1, x2, f2
			x2 = a + ratio*(b-a)
			f2 = f(x2)
		}
	}
	if f1 > f2 {
		return f1, x1
	}
	return f2, x2
}

// flatness looks on either side of the plan for the first delay at which FlatDB is lost.
func (p *Problem) flatness(c candidate, g grid) float64 {
	stepMs := g.step * 1e3 / 2
	var nearest [2]float64
	p.cfg.Each(2, func(i int) {
		side := float64(2*i - 1)
		var w sweep
		var values [64]float64
		scratch := make([]float64, len(p.seats))
		x := c.Setting
		nearest[i] = 2 * p.cfg.MaxDelayMs
		for ms := stepMs; ms < nearest[i]; ms += float64(len(values)) * stepMs {
			p.line(&w, values[:], x, c.DelayMs+side*ms, side*stepMs)
			n := slices.IndexFunc(values[:], func(v float64) bool { return v < c.valueDB-FlatDB })
			if n < 0 {
				continue
			}
			out := ms + float64(n)*stepMs
			in := out - stepMs
			for range 10 {
				mid := (in + out) / 2
				x.DelayMs = c.DelayMs + side*mid
				if p.value(scratch, x) < c.valueDB-FlatDB {
					out = mid
				} else {
					in = mid
				}
			}
			nearest[i] = min(nearest[i], in)
			break
		}
	})
	return min(nearest[0], nearest[1])
}
