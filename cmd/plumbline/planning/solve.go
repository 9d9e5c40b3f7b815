package planning

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"plumbline/analyze/air"
	"plumbline/analyze/alignment"
	"plumbline/analyze/summation"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// solution is the best setting over all complete seats; problem is nil when
// there is none, and the reasons say why.
type solution struct {
	*collection
	query        wire.AlignQuery
	rig          bool
	target       map[string]wire.Dial // what other plans want of the loudspeakers
	known        bool                 // what was set is known
	fromMain     wire.Dial            // what the plan starts from
	fromFill     wire.Dial
	applied      []int64
	temperatureC float64
	unplaced     int // seats from where it is not known where the two stand
	problem      *alignment.Problem
	result       *alignment.Result
	heads        []float64 // level of the sum over the louder one where heads are, now
	headsPlan    []float64 // and with the plan
}

func (p *Planner) solve(q wire.AlignQuery) (*solution, error) {
	x, err := p.cfg.Shelf.Current()
	if err != nil {
		return nil, err
	}
	all, err := plans(x)
	if err != nil {
		return nil, err
	}
	now := &force{known: p.Dialled(0), plans: dialledIn(all, 0)}
	c, err := collect(x, q.Main, q.Fill, now)
	if err != nil {
		return nil, err
	}
	s := &solution{collection: c, query: q, rig: p.cfg.Rig != nil, temperatureC: 20, applied: []int64{}}
	if len(c.seats) == 0 {
		c.reasons = append(c.reasons, fmt.Sprintf("No seat has both %s alone and %s alone: survey one.", q.Main, q.Fill))
		return s, nil
	}
	s.applyOthers(all)
	s.temperatureC = c.seats[len(c.seats)-1].b.TemperatureC
	s.spread(p.cfg.Places)
	cfg := alignment.Config{Band: summation.Band{LowHz: q.LowHz, HighHz: q.HighHz}, Gain: q.Gain, Each: offline.Each}
	if q.Aim == wire.AimWorst {
		cfg.Aim = alignment.Worst
	}
	seats := make([]alignment.Seat, len(c.seats))
	for i, seat := range c.seats {
		seats[i] = alignment.Seat{A: seat.nowA, B: seat.nowB, SpreadMs: seat.spreadMs, Arrivals: arrivals(seat)}
	}
	if s.problem, err = alignment.New(cfg, seats); err != nil {
		c.reasons = append(c.reasons, fmt.Sprintf("%s and %s cannot be aligned: %s.", q.Main, q.Fill, sayNo(err, q.Main, q.Fill)))
		return s, nil
	}
	s.result = s.problem.Solve()
	s.compare(s.result.Plan)
	return s, nil
}

// arrivals is what the arrivals of a seat's takes say of the fill against the main.
func arrivals(seat *seatTakes) alignment.Arrivals {
	return alignment.Arrivals{
		OffsetMs: 1e3 * (seat.nowB.DelayS - seat.nowA.DelayS),
		SDMs:     math.Hypot(float64(seat.a.Results.DelaySDMs), float64(seat.b.Results.DelaySDMs)),
		Sign:     seat.turn * signOf(seat.a.Results.Polarity) * signOf(seat.b.Results.Polarity),
	}
}

// signOf is +1 for the same polarity, −1 for the opposite, 0 where it is undecided.
func signOf(p wire.PolarityObject) int {
	switch p.Verdict {
	case "same":
		return 1
	case "opposite":
		return -1
	}
	return 0
}

// compare sets what the level of the sum is where heads are, now and with a setting.
func (s *solution) compare(x alignment.Setting) {
	s.heads, s.headsPlan = s.problem.Gains(s.heads, unchanged), s.problem.Gains(s.headsPlan, x)
}

// spreadM is the spread of position asked for, m.
func (s *solution) spreadM() float64 {
	if s.query.SpreadM == nil {
		return wire.DefaultSpreadM
	}
	return *s.query.SpreadM
}

// spread sets what the spread of position makes of the difference of arrival at each
// seat, by where the two stand, or by the angle that is taken where nobody knows.
func (s *solution) spread(places func() map[string]wire.Position) {
	var at map[string]wire.Position
	if places != nil {
		at = places()
	}
	a, knownA := at[s.query.Main]
	b, knownB := at[s.query.Fill]
	for _, seat := range s.seats {
		apart := alignment.Apart(alignment.UnknownAngleDeg)
		if place := seat.seat.PositionM; knownA && knownB && place != nil {
			apart = alignment.ApartAt(*place, a, b)
		} else {
			s.unplaced++
		}
		seat.spreadMs = alignment.SpreadMs(s.spreadM(), apart, air.SpeedOfSound(s.temperatureC))
	}
}

// applyOthers puts all takes into one state, that of now: the fill as it is set, the
// main as the newest plans of other pairs will leave it, or as it is set.
func (s *solution) applyOthers(all []wire.StoredPlan) {
	s.target = map[string]wire.Dial{}
	main, fill := s.query.Main, s.query.Fill
	for _, plan := range all {
		if plan.Main != main || plan.Fill == fill {
			continue
		}
		counts := false
		for _, c := range plan.Settings {
			s.target[c.Loudspeaker] = c.To
			counts = counts || c.Loudspeaker == main && !plan.Dialled
		}
		if counts {
			s.applied = append(s.applied, plan.ID)
		}
	}
	newest := slices.MaxFunc(s.seats, func(a, b *seatTakes) int { return cmp.Compare(a.b.ID, b.b.ID) })
	s.known = newest.knownA && newest.knownB
	s.fromMain = s.now.of(main, newest.knownA, newest.dialA)
	s.fromFill = s.now.of(fill, newest.knownB, newest.dialB)
	if to, ok := s.target[main]; ok && len(s.applied) > 0 {
		s.fromMain = to
	}
	for _, seat := range s.seats {
		seat.nowA, seat.nowB, seat.turn = seat.specA, seat.specB, 1
		// Of what a virtual rig was not asked, as an import, nobody changed it. On a real
		// one all plans count from what was set before the first.
		if change := difference(seat.dialA, s.fromMain); change != unchanged && (seat.knownA || !newest.knownA || !s.rig || len(s.applied) > 0) {
			seat.nowA, seat.turn = apply(change, seat.specA), change.Sign
		}
		if change := difference(seat.dialB, s.fromFill); change != unchanged && (seat.knownB || !newest.knownB || !s.rig) {
			seat.nowB, seat.turn = apply(change, seat.specB), seat.turn*change.Sign
		}
		// What was taken of both is of today only if nothing else counts.
		if s.fromMain != s.now.of(main, seat.knownA, seat.dialA) && seat.both != nil {
			seat.both, seat.specBoth = nil, nil
		}
	}
}

var unchanged = alignment.Setting{Sign: 1}

// difference is what changes when a loudspeaker is set from one to another.
func difference(from, to wire.Dial) alignment.Setting {
	d := alignment.Setting{DelayMs: to.DelayMs - from.DelayMs, GainDB: to.GainDB - from.GainDB, Sign: 1}
	if from.Polarity != to.Polarity {
		d.Sign = -1
	}
	return d
}

// shifted is a dial after a change.
func shifted(from wire.Dial, by alignment.Setting) wire.Dial {
	to := wire.Dial{DelayMs: from.DelayMs + by.DelayMs, GainDB: from.GainDB + by.GainDB, Polarity: from.Polarity}
	if by.Sign < 0 {
		to.Polarity = turned(from.Polarity)
	}
	return to
}

func turned(polarity string) string {
	if polarity == "opposite" {
		return "same"
	}
	return "opposite"
}

func settingOf(c wire.PlanChoice) alignment.Setting {
	s := alignment.Setting{DelayMs: c.DelayMs, Sign: 1, GainDB: c.GainBDB}
	if c.Wait == "A" {
		s.DelayMs = -s.DelayMs
	}
	if c.PolarityB == "opposite" {
		s.Sign = -1
	}
	return s
}

func (s *solution) planObject(x alignment.Setting) wire.PlanObject {
	wait, ms := x.Wait()
	p := wire.PlanObject{
		Wait: wait, Loudspeaker: s.query.Fill, DelayMs: ms, DistanceM: ms / 1000 * air.SpeedOfSound(s.temperatureC),
		PolarityB: "same", GainBDB: x.GainDB,
	}
	if wait == "A" {
		p.Loudspeaker = s.query.Main
	}
	if x.Sign < 0 {
		p.PolarityB = "opposite"
	}
	return p
}

// changes is what to set: of the fill only, if it can be done there. When the
// fill would have to come earlier than its own delay allows, the main waits, and
// with it all that were aligned to it.
func (s *solution) changes(x alignment.Setting) ([]wire.DialChange, string) {
	from, main := s.fromFill, s.fromMain
	to := shifted(from, x)
	wait := 0.0
	if to.DelayMs < 0 {
		wait = -to.DelayMs
		to.DelayMs = 0
	}
	change := func(name string, from, to wire.Dial) wire.DialChange {
		return wire.DialChange{Loudspeaker: name, Known: s.known, From: from, To: to, Text: sayChange(name, s.known, from, to)}
	}
	list := []wire.DialChange{change(s.query.Fill, from, to)}
	if wait == 0 {
		if x.DelayMs < 0 {
			return list, fmt.Sprintf("%s comes too late, and has %.2f ms of delay: it is enough to take %.2f ms off.", verdict.Capital(s.query.Fill), from.DelayMs, -x.DelayMs)
		}
		return list, ""
	}
	later := func(d wire.Dial) wire.Dial {
		d.DelayMs += wait
		return d
	}
	list = append(list, change(s.query.Main, main, later(main)))
	for _, name := range sortedNames(s.target) {
		if d := s.target[name]; name != s.query.Main && name != s.query.Fill {
			list = append(list, change(name, d, later(d)))
		}
	}
	if s.known {
		return list, ""
	}
	return list, fmt.Sprintf("If %s has a delay of %.2f ms or more set at the processor, take %.2f ms off there instead of delaying %s.", s.query.Fill, wait, wait, s.query.Main)
}

func sortedNames(m map[string]wire.Dial) []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// Align implements stream.AlignOperator.
func (p *Planner) Align(_ context.Context, q wire.AlignQuery) (wire.Align, error) {
	s, err := p.solve(q)
	if err != nil {
		return wire.Align{}, err
	}
	unknown := wire.Unknown()
	a := wire.Align{
		Main: q.Main, Fill: q.Fill, Aim: q.Aim, BandHz: []float64{}, BandFound: q.LowHz == 0, Settings: []wire.DialChange{},
		Efficiency: wire.EfficiencyObject{Today: unknown, Plan: unknown, RunnerUp: unknown}, FlatnessMs: unknown, TemperatureC: wire.Value(s.temperatureC),
		SpreadM: s.spreadM(), Promise: wire.Promise{ChangeDB: unknown, LosingDB: unknown, Losing: []string{}, AddsUpToHz: unknown, NothingFromHz: unknown},
		Cycles: []wire.CycleObject{}, Missing: s.missing, Seats: []wire.AlignSeat{}, Curve: wire.DelayCurve{SameDB: wire.Values{}, OppositeDB: wire.Values{}}, Applied: s.applied,
	}
	if s.problem == nil {
		a.Reasons = s.reasons
		return a, nil
	}
	r := s.result
	a.Plan = &wire.PlannedObject{
		PlanObject: s.planObject(r.Plan), LowDB: wire.Value(r.PlanIn.LowDB), HighDB: wire.Value(r.PlanIn.HighDB),
		DelaySDMs: wire.Value(r.DelaySDMs), Follows: r.Follows,
	}
	if r.RunnerUp.Sign != 0 {
		a.RunnerUp = &wire.RunnerUpObject{PlanObject: s.planObject(r.RunnerUp), LowDB: wire.Value(r.RunnerUpIn.LowDB), HighDB: wire.Value(r.RunnerUpIn.HighDB)}
	}
	a.BandHz = []float64{r.Band.LowHz, r.Band.HighHz}
	a.Efficiency = wire.EfficiencyObject{Today: wire.Value(r.TodayDB), Plan: wire.Value(r.PlanDB), RunnerUp: wire.Value(r.RunnerUpDB)}
	a.FlatnessMs = wire.Value(r.FlatnessMs)
	s.sayCertainty(&a)
	var how string
	a.Settings, how = s.changes(r.Plan)
	a.Promise = s.promise(r.Plan, r.TodayDB, r.PlanDB)
	s.say(how, a.Promise)
	a.Reasons = s.reasons
	a.Seats = make([]wire.AlignSeat, len(s.seats))
	axis := s.axis()
	curves := make([][2][]float64, len(s.seats))
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range s.seats {
		group.Go(func() (err error) {
			a.Seats[i], err = s.account(i)
			curves[i] = [2][]float64{make([]float64, curvePoints), make([]float64, curvePoints)}
			s.problem.Curves(curves[i][0], curves[i][1], i, r.Plan.GainDB, axis.fromMs, axis.stepMs)
			a.Seats[i].Curve = wire.DelayCurve{SameDB: hundredths(curves[i][0]), OppositeDB: hundredths(curves[i][1])}
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return wire.Align{}, err
	}
	a.Curve = s.total(axis, curves)
	return a, nil
}

// curvePoints is how many delays a curve has.
const curvePoints = 801

// delayAxis is curvePoints delays of the fill on top of today's.
type delayAxis struct{ fromMs, stepMs float64 }

// axis spans today's setting, the plan and the runner-up.
func (s *solution) axis() delayAxis {
	r := s.result
	span := max(5, 1.5*math.Abs(r.Plan.DelayMs)+2)
	if r.RunnerUp.Sign != 0 {
		span = max(span, 1.2*math.Abs(r.RunnerUp.DelayMs))
	}
	span = min(span, 60)
	const half = (curvePoints - 1) / 2
	step := span / half
	// Today, at 0, and the plan each have a point of their own: the top may be narrow.
	if away := math.Abs(r.Plan.DelayMs); away > step {
		step = away / math.Floor(away/step)
	}
	return delayAxis{-half * step, step}
}

// total is the efficiency over delay by the aim, from the seats' with the fill as
// it is and turned.
func (s *solution) total(axis delayAxis, seats [][2][]float64) wire.DelayCurve {
	total := wire.DelayCurve{SameDB: make(wire.Values, curvePoints), OppositeDB: make(wire.Values, curvePoints)}
	for n := range curvePoints {
		total.DelayMs = append(total.DelayMs, math.Round((axis.fromMs+float64(n)*axis.stepMs)*1e6)/1e6)
	}
	for k, dst := range []wire.Values{total.SameDB, total.OppositeDB} {
		for n := range dst {
			sum, least := 0.0, math.Inf(1)
			for _, seat := range seats {
				sum += seat[k][n] / float64(len(seats))
				least = min(least, seat[k][n])
			}
			dst[n] = hundredth(sum)
			if s.query.Aim == wire.AimWorst {
				dst[n] = hundredth(least)
			}
		}
	}
	return total
}

// hundredth keeps what can be drawn: 0.01 dB.
func hundredth(x float64) float32 { return float32(math.Round(x*100) / 100) }

func hundredths(x []float64) wire.Values {
	out := make(wire.Values, len(x))
	for i, v := range x {
		out[i] = hundredth(v)
	}
	return out
}
