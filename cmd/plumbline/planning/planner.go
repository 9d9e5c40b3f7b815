package planning

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// Config of a Planner.
type Config struct {
	Shelf *show.Shelf
	// Rig is what is set for each loudspeaker of a virtual rig; nil for a real one.
	Rig func() map[string]wire.Dial
	// Places is where the loudspeakers of a virtual rig stand, m; nil for a real one.
	Places func() map[string]wire.Position
	// Dial sets loudspeakers of a virtual rig.
	Dial func(ctx context.Context, to map[string]wire.Dial, by string) error
	// Measure begins to measure main and fill together for a plan; ByHand stores
	// what is measured now.
	Measure func(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error)
	ByHand  func(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error)
}

// Planner answers from the stored takes. Its methods may be called from any
// goroutine.
type Planner struct{ cfg Config }

// New checks cfg.
func New(cfg Config) (*Planner, error) {
	if cfg.Shelf == nil {
		return nil, errors.New("planning: Shelf is needed")
	}
	return &Planner{cfg}, nil
}

func refuse(status int, code, format string, args ...any) *wire.Error {
	return &wire.Error{Code: code, Text: fmt.Sprintf(format, args...), Status: status}
}

// plans are those of the open show that are ours, the oldest first.
func plans(x *show.Show) ([]wire.StoredPlan, error) {
	all, err := x.Plans()
	if err != nil {
		return nil, err
	}
	var out []wire.StoredPlan
	for _, p := range all {
		if ours, ok := decode(p); ok {
			out = append(out, ours)
		}
	}
	return out, nil
}

// decode reads a plan; others may keep what they like under that name.
func decode(p show.Plan) (wire.StoredPlan, bool) {
	var ours wire.StoredPlan
	if json.Unmarshal(p.Body, &ours) != nil || ours.Main == "" || ours.Fill == "" || len(ours.Settings) == 0 {
		return ours, false
	}
	ours.ID, ours.Name = p.ID, p.Name
	return ours, true
}

// plan is the one of that number.
func plan(x *show.Show, id int64) (wire.StoredPlan, error) {
	all, err := plans(x)
	if err != nil {
		return wire.StoredPlan{}, err
	}
	if i := slices.IndexFunc(all, func(p wire.StoredPlan) bool { return p.ID == id }); i >= 0 {
		return all[i], nil
	}
	return wire.StoredPlan{}, missing(id)
}

// add stores a new plan.
func add(x *show.Show, p wire.StoredPlan, by string) (wire.StoredPlan, error) {
	body, err := json.Marshal(p)
	if err != nil {
		return p, err
	}
	stored, err := x.PutPlan(show.Plan{Name: p.Name, Body: body}, by)
	p.ID = stored.ID
	return p, err
}

// change edits the plan of that number as it is when its turn comes.
func change(x *show.Show, id int64, edit func(*wire.StoredPlan), by string) (wire.StoredPlan, error) {
	var ours wire.StoredPlan
	_, err := x.ChangePlan(id, func(item *show.Plan) (err error) {
		var ok bool
		if ours, ok = decode(*item); !ok {
			return missing(id)
		}
		edit(&ours)
		item.Body, err = json.Marshal(ours)
		return err
	}, by)
	return ours, err
}

func missing(id int64) error {
	return refuse(http.StatusNotFound, "not_found", "there is no plan %d for two loudspeakers in this show: store one first", id)
}

// zero is what a loudspeaker is set to that nobody has touched.
var zero = wire.Dial{Polarity: "same"}

func dialOf(m map[string]wire.Dial, name string) wire.Dial {
	if d, ok := m[name]; ok {
		return d
	}
	return zero
}

func sameDial(a, b wire.Dial) bool {
	near := func(x, y float64) bool { return x-y < 1e-6 && y-x < 1e-6 }
	return near(a.DelayMs, b.DelayMs) && near(a.GainDB, b.GainDB) && a.Polarity == b.Polarity
}

// Dialled is what is known to be set: of a virtual rig all, of a real one what
// the plans say that were dialled in, and the plan that is being verified.
func (p *Planner) Dialled(verifying int64) map[string]wire.Dial {
	if p.cfg.Rig != nil {
		return p.cfg.Rig()
	}
	x, err := p.cfg.Shelf.Current()
	if err != nil {
		return nil
	}
	all, err := plans(x)
	if err != nil {
		return nil
	}
	return dialledIn(all, verifying)
}

// dialledIn is what the plans set that were dialled in.
func dialledIn(all []wire.StoredPlan, verifying int64) map[string]wire.Dial {
	m := map[string]wire.Dial{}
	for _, plan := range all {
		if plan.Dialled || plan.ID == verifying {
			for _, c := range plan.Settings {
				m[c.Loudspeaker] = c.To
			}
		}
	}
	return m
}

// inForce keeps a plan as the one that its pair is set to: an older one is not any more.
// edit is what else changes of it; nil: nothing.
func inForce(x *show.Show, plan wire.StoredPlan, edit func(*wire.StoredPlan), by string) (wire.StoredPlan, error) {
	all, err := plans(x)
	if err != nil {
		return plan, err
	}
	for _, old := range all {
		if old.ID != plan.ID && old.Dialled && old.Main == plan.Main && old.Fill == plan.Fill {
			if _, err := change(x, old.ID, func(p *wire.StoredPlan) { p.Dialled = false }, by); err != nil {
				return plan, err
			}
		}
	}
	return change(x, plan.ID, func(p *wire.StoredPlan) {
		p.Dialled = true
		if edit != nil {
			edit(p)
		}
	}, by)
}

// StorePlan implements stream.AlignOperator.
func (p *Planner) StorePlan(_ context.Context, r wire.PlanRequest, by string) (wire.StoredPlan, error) {
	q := wire.AlignQuery{Main: r.Main, Fill: r.Fill, LowHz: r.LowHz, HighHz: r.HighHz, Aim: r.Aim, Gain: r.Gain, SpreadM: r.SpreadM}
	if err := q.Settle(); err != nil {
		return wire.StoredPlan{}, err
	}
	s, err := p.solve(q)
	if err != nil {
		return wire.StoredPlan{}, err
	}
	if s.problem == nil {
		return wire.StoredPlan{}, refuse(http.StatusConflict, "no_plan", "%s", strings.Join(append(s.missing, s.reasons...), " "))
	}
	choice := s.result.Plan
	if r.Plan != nil {
		choice = settingOf(*r.Plan)
	}
	seatsDB, aimDB := s.problem.Efficiency(nil, choice)
	s.compare(choice)
	settings, _ := s.changes(choice)
	plan := wire.StoredPlan{
		Name: r.Name, Main: r.Main, Fill: r.Fill, BandHz: []float64{s.problem.Band().LowHz, s.problem.Band().HighHz}, Aim: q.Aim,
		Plan: s.planObject(choice), Settings: settings, TemperatureC: wire.Value(s.temperatureC), Seats: []wire.PlanSeat{}, Verified: []wire.Verification{},
		Efficiency: wire.EfficiencyObject{Today: wire.Value(s.result.TodayDB), Plan: wire.Value(aimDB), RunnerUp: wire.Value(s.result.RunnerUpDB)},
		Promise:    s.promise(choice, s.result.TodayDB, aimDB), SpreadM: q.SpreadM,
	}
	if plan.Name == "" {
		plan.Name = r.Fill + " to " + r.Main
	}
	for i, seat := range s.seats {
		plan.Seats = append(plan.Seats, wire.PlanSeat{
			Seat: seat.seat.ID, Name: seat.seat.Name, TodayDB: wire.Value(s.result.Seats[i].TodayDB), PlanDB: wire.Value(seatsDB[i]), ChangeDB: wire.Value(s.headsPlan[i] - s.heads[i]),
			TakeA: seat.a.ID, TakeB: seat.b.ID,
		})
	}
	return add(s.show, plan, by)
}

// DialPlan implements stream.AlignOperator.
func (p *Planner) DialPlan(ctx context.Context, r wire.DialRequest, by string) (wire.StoredPlan, error) {
	x, err := p.cfg.Shelf.Current()
	if err != nil {
		return wire.StoredPlan{}, err
	}
	plan, err := plan(x, r.Plan)
	if err != nil {
		return plan, err
	}
	if r.ByHand {
		if p.cfg.Rig != nil {
			return plan, refuse(http.StatusConflict, "rig", "a virtual rig says itself what it is set to: dial the plan in")
		}
		return inForce(x, plan, nil, by)
	}
	if p.cfg.Dial == nil {
		return plan, refuse(http.StatusConflict, "no_rig", "only a virtual rig is dialled in from here: set your processor to the plan and say so, then verify")
	}
	to := map[string]wire.Dial{}
	now := p.cfg.Rig()
	for _, c := range plan.Settings {
		to[c.Loudspeaker] = c.To
		if !c.Known { // made elsewhere: the change is all that is known
			to[c.Loudspeaker] = shifted(dialOf(now, c.Loudspeaker), difference(c.From, c.To))
		}
	}
	if err := p.cfg.Dial(ctx, to, by); err != nil {
		return plan, err
	}
	return inForce(x, plan, nil, by)
}
