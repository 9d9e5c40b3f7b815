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
	AddsUpToHz float64 // see Problem.Reach; +Inf without a spread
	NothingHz  float64
	TodayDB    float64 // efficiency by the aim with nothing dialled in
	PlanDB     float64
	RunnerUpDB float64
	Cycles     Cycles  // which of the cycles that are alike the plan is on
	FlatnessMs float64 // how far the delay may move, either way, before FlatDB is lost
	Seats      []SeatResult

	Today, PlanIn, RunnerUpIn Interval // of the efficiencies by the aim
	DelaySDMs                 float64  // standard deviation of the plan's delay; +Inf where nothing tells
	// Follows: the phases tell no better delay than the arrivals of sound do, and the
	// plan is theirs.
	Follows bool
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

	Today, Plan, RunnerUp Interval
}

// What one microphone tells of the places beside it is no finer than a quarter of a
// decibel in an octave, and as the mean over octaves by their root (own simulation of
// rooms); in a narrow band it is no more than mostAlikeDB.
const alikeDB, mostAlikeDB = 0.25, 0.15

// AlikeDB is how close to the best a setting is as good over a spread, dB.
func (p *Problem) AlikeDB() float64 {
	most := mostAlikeDB
	if p.cfg.Aim == Worst {
		most = worstAlikeDB
	}
	return min(most, alikeDB/math.Sqrt(p.band.Octaves()))
}

// worstAlikeDB is mostAlikeDB for the worst seat: it is promised the best there is.
const worstAlikeDB = 0.05

// candidate is a local optimum.
type candidate struct {
	Setting
	valueDB float64
}

// Solve searches every delay within ±MaxDelayMs in steps finer than
// 1/(8 f_max) with both polarities, then refines the best; f_max is the highest
// frequency that a spread leaves. Of the settings that are alike over the spread,
// to Problem.AlikeDB, the plan is the one that suits the microphones' own points best. The
// runner-up is the best that lies farther from the plan than its flatness and than
// a quarter period of the band's middle, so that it is another choice and not a ripple.
func (p *Problem) Solve() *Result {
	g := p.grid(p.cfg.MaxDelayMs)
	total, own := p.scan(g, 0)
	if p.wideMs > p.cfg.MaxDelayMs { // what may be dialled in is no bound on what is there
		_, own = p.scan(p.grid(p.wideMs), 0)
	}
	list := p.maxima(total, g, 0)
	best := p.best(list, g, 24, 6)
	if p.cfg.Gain && p.cfg.Aim == Worst {
		best, total = p.worstWithGain(best, list, total, g)
	}
	if p.points != nil {
		best = p.bestAtPoints(best, total, g)
	}
	best, cycles := p.cycle(best, list, g)
	result := &Result{Band: p.band, Aim: p.cfg.Aim, Plan: best.Setting, Cycles: cycles}
	result.AddsUpToHz, result.NothingHz = p.Reach()
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
	p.judge(result, g)
	if result.Follows { // what was said of another plan
		plan, result.PlanDB = p.Efficiency(nil, result.Plan)
		result.FlatnessMs = p.flatness(candidate{result.Plan, p.value(make([]float64, len(p.seats)), result.Plan)}, g)
		for i := range p.seats {
			offset := p.inCycle(i, own[i], result.Plan, g)
			result.Seats[i].PlanDB, result.Seats[i].OffsetMs, result.Seats[i].OffsetSign = plan[i], offset.Ms, offset.Sign
		}
	}
	return result
}

// scan returns the aim over all seats on the grid (p = +1, −1) and each seat's
// own best.
func (p *Problem) scan(g grid, gainDB float64) (total [2][]float64, own []candidate) {
	total = [2][]float64{make([]float64, g.size()), make([]float64, g.size())}
	own = make([]candidate, len(p.seats))
	each := make([][2][]float64, len(p.seats))
	p.cfg.Each(len(p.seats), func(i int) {
		var w sweep
		s := &p.seats[i]
		each[i] = [2][]float64{make([]float64, g.size()), make([]float64, g.size())}
		w.efficiencies(each[i][0], each[i][1], s, g, gainDB)
		best := candidate{valueDB: math.Inf(-1)}
		for sign, values := range each[i] {
			for n, v := range values {
				if v > best.valueDB {
					best = candidate{Setting{DelayMs: g.delayMs(n), Sign: 1 - 2*sign, GainDB: gainDB}, v}
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
		if p.cfg.Gain {
			cost := p.seats[i].levelCost(gainDB)
			for _, values := range one {
				for n := range values {
					values[n] += cost
				}
			}
		}
		for sign, values := range one {
			p.gather(total[sign], values, i)
		}
	}
	return total, own
}

// maxima returns the local optima of the grid, the best first.
func (p *Problem) maxima(total [2][]float64, g grid, gainDB float64) []candidate {
	var list []candidate
	for sign, values := range total {
		for n, v := range values {
			delayMs := g.delayMs(n)
			within := func(n int) bool {
				return n >= 0 && n < len(values) && math.Abs(g.delayMs(n)) <= p.cfg.MaxDelayMs
			}
			if within(n) && (!within(n-1) || values[n-1] <= v) && (!within(n+1) || values[n+1] < v) {
				list = append(list, candidate{Setting{DelayMs: delayMs, Sign: 1 - 2*sign, GainDB: gainDB}, v})
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

// bestAtPoints is the best at the microphones' points of the settings that are
// within Problem.AlikeDB of top over the spread.
func (p *Problem) bestAtPoints(top candidate, total [2][]float64, g grid) candidate {
	fine := 2 * math.Pi / (stepsPerPeriod * p.points.top()) * 1e3
	budget := 1500 // delays; where nothing matters, nothing is to be chosen
	scratch := make([]float64, len(p.seats))
	least := top.valueDB - p.AlikeDB()
	list := []candidate{top}
	list[0].valueDB = p.points.value(scratch, top.Setting)
	for _, r := range alike(total, g, top, 2*p.AlikeDB()) {
		n := min(budget, int((r.toMs-r.fromMs)/fine)+1)
		if budget -= n; n <= 0 {
			break
		}
		x := Setting{Sign: r.sign, GainDB: top.GainDB}
		over, at := make([]float64, n), make([]float64, n)
		parts := (n + 63) / 64
		p.cfg.Each(parts, func(i int) {
			var w sweep
			lo, hi := n*i/parts, n*(i+1)/parts
			from := r.fromMs + float64(lo)*fine
			p.line(&w, over[lo:hi], x, from, fine)
			p.points.line(&w, at[lo:hi], x, from, fine)
		})
		for i, v := range at {
			x.DelayMs = r.fromMs + float64(i)*fine
			top := (i == 0 || at[i-1] <= v || over[i-1] < least) && (i == n-1 || at[i+1] < v || over[i+1] < least)
			if top && over[i] >= least && math.Abs(x.DelayMs) <= p.cfg.MaxDelayMs {
				list = append(list, candidate{x, v})
			}
		}
	}
	bestFirst(list)
	best := list[0]
	var w sweep
	for _, c := range list[:min(6, len(list))] {
		c.climb(fine, func(dst []float64, x Setting, fromMs, stepMs float64) { p.points.line(&w, dst, x, fromMs, stepMs) })
		if c.valueDB > best.valueDB && p.value(scratch, c.Setting) >= least && math.Abs(c.DelayMs) <= p.cfg.MaxDelayMs {
			best = c
		}
	}
	best.valueDB = p.value(scratch, best.Setting)
	return best
}

// stretch is a range of delays of one polarity.
type stretch struct {
	sign         int
	fromMs, toMs float64
	bestDB       float64
}

// alike are the stretches of the grid within reach of its best, and the one about
// top, a step to either side included; the best first.
func alike(total [2][]float64, g grid, top candidate, withinDB float64) []stretch {
	highest := math.Inf(-1)
	for _, values := range total {
		highest = max(highest, slices.Max(values))
	}
	stepMs := g.step * 1e3
	list := []stretch{{top.Sign, top.DelayMs - stepMs, top.DelayMs + stepMs, math.Inf(1)}}
	for sign, values := range total {
		for n := 0; n < len(values); n++ {
			if values[n] < highest-withinDB {
				continue
			}
			s := stretch{1 - 2*sign, g.delayMs(n) - stepMs, 0, values[n]}
			for ; n < len(values) && values[n] >= highest-withinDB; n++ {
				s.bestDB = max(s.bestDB, values[n])
			}
			s.toMs = g.delayMs(n)
			list = append(list, s)
		}
	}
	slices.SortStableFunc(list, func(a, b stretch) int { return cmp.Compare(b.bestDB, a.bestDB) })
	return list
}

// top is the highest frequency whose delay matters, rad/s.
func (p *Problem) top() float64 {
	top := 0.0
	for _, s := range p.seats {
		top = max(top, s.omega[max(s.level, 1)-1])
	}
	return top
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
