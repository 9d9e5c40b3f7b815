package planning

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"sync"
	"testing"

	"plumbline/analyze/response"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	testRate   = 48000
	testWindow = 32768
)

// path is how a loudspeaker is heard at a seat: copies, each so late and so loud.
type path []struct{ ms, gain float64 }

func (p path) at(f float64) (h complex128) {
	for _, c := range p {
		h += cmplx.Rect(c.gain, -2*math.Pi*f*c.ms/1000)
	}
	return h
}

// both is the sum of two paths.
func both(a, b path) path { return append(slices.Clone(a), b...) }

// set is a path with something dialled in.
func (p path) set(ms, gain float64) path {
	out := slices.Clone(p)
	for i := range out {
		out[i].ms += ms
		out[i].gain *= gain
	}
	return out
}

// heard are the spectra of a path with a little noise, compensated to its first
// copy. The loudspeakers have a band of 80 Hz…12 kHz.
func (p path) heard() *response.Spectra {
	s := &response.Spectra{SampleRateHz: testRate, Window: testWindow, Overlap: 0.75, DelayS: p[0].ms / 1000, AveragedS: 8}
	for k := range testWindow/2 + 1 {
		f := float64(k) * testRate / testWindow
		box := complex(1/math.Sqrt(1+math.Pow(80/max(f, 1), 8))/math.Sqrt(1+math.Pow(f/12000, 8)), 0)
		h := box * p.at(f) * cmplx.Rect(1, 2*math.Pi*f*s.DelayS)
		s.FrequencyHz = append(s.FrequencyHz, f)
		s.Gxx = append(s.Gxx, 1)
		s.Gyy = append(s.Gyy, power(h)+1e-5)
		s.Gxy = append(s.Gxy, h)
		s.EffectiveAverages = append(s.EffectiveAverages, 30)
	}
	return s
}

// desk is a planner with a show.
type desk struct {
	t *testing.T
	*Planner
	x       *show.Show
	dialled map[string]wire.Dial // of a virtual rig; nil for a real one
	ids     map[string]int64
}

func newDesk(t *testing.T, dialled map[string]wire.Dial) *desk {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	d := &desk{t: t, dialled: dialled, ids: map[string]int64{}}
	if d.x, err = shelf.New("test"); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"main", "fill", "sub"} {
		l, err := d.x.PutLoudspeaker(show.Loudspeaker{Name: name, Role: name}, "test")
		if err != nil {
			t.Fatal(err)
		}
		d.ids[name] = l.ID
	}
	cfg := Config{Shelf: shelf}
	if dialled != nil {
		cfg.Rig = func() map[string]wire.Dial { return d.dialled }
		cfg.Dial = func(_ context.Context, to map[string]wire.Dial, _ string) error {
			for name, x := range to {
				d.dialled[name] = x
			}
			return nil
		}
	}
	if d.Planner, err = New(cfg); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *desk) seat(name string) int64 {
	d.t.Helper()
	s, err := d.x.PutSeat(show.Seat{Name: name}, "test")
	if err != nil {
		d.t.Fatal(err)
	}
	return s.ID
}

// take stores a take; change may spoil it.
func (d *desk) take(seat int64, p path, change func(*show.Take, *response.Spectra), playing ...string) int64 {
	d.t.Helper()
	body, err := json.Marshal(wire.TakeSettings{Goal: wire.DefaultGoal, LevelDBFS: wire.Unknown(), Dialled: d.Dialled(0)})
	if err != nil {
		d.t.Fatal(err)
	}
	t := show.Take{Origin: show.Measured, Source: "hall", Reference: 1, Microphone: 2, TemperatureC: 20, Seat: seat, Settings: body, Results: show.Results{DelaySDMs: 0}}
	for _, name := range playing {
		t.Loudspeakers = append(t.Loudspeakers, d.ids[name])
	}
	s := p.heard()
	if change != nil {
		change(&t, s)
	}
	stored, err := d.x.AddTake(t, s, nil, "test")
	if err != nil {
		d.t.Fatal(err)
	}
	return stored.ID
}

func (d *desk) align(q wire.AlignQuery) wire.Align {
	d.t.Helper()
	if q.Main == "" {
		q.Main, q.Fill = "main", "fill"
	}
	if err := q.Settle(); err != nil {
		d.t.Fatal(err)
	}
	a, err := d.Align(context.Background(), q)
	if err != nil {
		d.t.Fatal(err)
	}
	return a
}

func (d *desk) store(r wire.PlanRequest) wire.StoredPlan {
	d.t.Helper()
	if r.Main == "" {
		r.Main, r.Fill = "main", "fill"
	}
	if err := r.Settle(); err != nil {
		d.t.Fatal(err)
	}
	p, err := d.StorePlan(context.Background(), r, "test")
	if err != nil {
		d.t.Fatal(err)
	}
	return p
}

// four seats: the fill is reversed and 7.6 ms late at the first, a little more
// or less at the others; each hears a wall.
var mains = []path{{{21, 0.5}, {29.3, 0.1}}, {{24, 0.45}, {31, 0.12}}, {{27, 0.4}, {40.2, 0.1}}, {{33, 0.35}, {39.7, 0.1}}}
var fills = []path{{{28.6, -0.4}, {33.3, -0.08}}, {{31.5, -0.4}, {39, -0.1}}, {{34.7, -0.35}, {41, -0.1}}, {{40.55, -0.3}, {51, -0.08}}}

func known() map[string]wire.Dial {
	return map[string]wire.Dial{"main": {Polarity: "same"}, "fill": {DelayMs: 12, Polarity: "opposite"}, "sub": {Polarity: "same"}}
}

// The plan is that of an exhaustive search over the true responses, to 0.1 dB,
// whether the mean or the worst seat counts; the ledger adds up.
func TestPlanOverFourSeats(t *testing.T) {
	d := newDesk(t, known())
	for i := range mains {
		seat := d.seat("row " + string('1'+rune(i)))
		d.take(seat, mains[i], nil, "main")
		d.take(seat, fills[i], nil, "fill")
		d.take(seat, both(mains[i], fills[i]), nil, "main", "fill")
	}
	for _, aim := range []string{wire.AimMean, wire.AimWorst} {
		a := d.align(wire.AlignQuery{Aim: aim, LowHz: 150, HighHz: 4000, SpreadM: metres(0)})
		if a.Plan == nil || len(a.Seats) != 4 || len(a.Missing) != 0 {
			t.Fatalf("%+v", a)
		}
		truth := trueEfficiency(aim, 150, 4000)
		best := math.Inf(-1)
		for _, sign := range []float64{1, -1} {
			for ms := -12.0; ms <= 2; ms += 0.01 {
				best = max(best, truth(ms, sign))
			}
		}
		if a.Plan.Wait != "A" || a.Plan.Loudspeaker != "main" || a.Plan.PolarityB != "opposite" {
			t.Errorf("%s: %+v", aim, *a.Plan)
		}
		if got := truth(-a.Plan.DelayMs, -1); got < best-0.1 || math.Abs(got-float64(a.Efficiency.Plan)) > 0.1 {
			t.Errorf("%s: the plan reaches %.3f dB, said to be %.3f dB, the best is %.3f dB", aim, got, float64(a.Efficiency.Plan), best)
		}
		// It is enough to take the delay off the fill.
		if len(a.Settings) != 1 || a.Settings[0].Loudspeaker != "fill" || math.Abs(a.Settings[0].To.DelayMs-(12-a.Plan.DelayMs)) > 1e-9 || a.Settings[0].To.Polarity != "same" {
			t.Errorf("%s: settings %+v", aim, a.Settings)
		}
		for _, s := range a.Seats {
			sum := float64(s.IdealGainDB)
			for _, row := range s.Ledger {
				sum += float64(row.ChangeDB)
			}
			if math.Abs(sum-float64(s.GainDB)) > 1e-9 || s.Predicted || math.Abs(float64(s.Ledger[5].ChangeDB)) > 0.01 {
				t.Errorf("%s: the ledger adds up to %g dB, not %g dB", s.Name, sum, float64(s.GainDB))
			}
			if n := len(s.FrequencyHz); n < 300 || len(s.A.Re) != n || len(s.B.Im) != n || len(s.Both.Re) != n || len(s.A.Trusted) != n || len(s.Curve.SameDB) != len(a.Curve.DelayMs) {
				t.Errorf("%s: %d points", s.Name, n)
			}
			// Drawn sum and drawn parts agree where nothing turns within 1/48 octave.
			for k, f := range s.FrequencyHz {
				x, y := complex(float64(s.A.Re[k]), float64(s.A.Im[k])), complex(float64(s.B.Re[k]), float64(s.B.Im[k]))
				sum := complex(float64(s.Both.Re[k]), float64(s.Both.Im[k]))
				if off := math.Abs(cmplx.Abs(x+y) - cmplx.Abs(sum)); f > 200 && f < 300 && off > 0.1*(cmplx.Abs(x)+cmplx.Abs(y)) {
					t.Errorf("%s: at %.0f Hz the parts add up to %g, the sum is %g", s.Name, f, cmplx.Abs(x+y), cmplx.Abs(sum))
				}
			}
		}
		// The curve shows today at 0 and the plan where it is.
		at := func(ms float64) int {
			i, _ := slices.BinarySearch(a.Curve.DelayMs, ms-1e-5)
			return min(i, len(a.Curve.DelayMs)-1)
		}
		if today := a.Curve.SameDB[at(0)]; math.Abs(float64(today)-float64(a.Efficiency.Today)) > 0.01 {
			t.Errorf("%s: the curve has today at %g dB, want %g", aim, today, float64(a.Efficiency.Today))
		}
		if plan := a.Curve.OppositeDB[at(-a.Plan.DelayMs)]; math.Abs(float64(plan)-float64(a.Efficiency.Plan)) > 0.01 {
			t.Errorf("%s: the curve has the plan at %g dB, want %g", aim, plan, float64(a.Efficiency.Plan))
		}
	}
}

// trueEfficiency is the definition, densely, as a function of the fill's delay
// and sign: the mean over log frequency of 10 lg(|A+B|²/(|A|+|B|)²), of which the
// mean or the least over the seats counts.
func trueEfficiency(aim string, low, high float64) func(delayMs, sign float64) float64 {
	const points = 1500
	var f [points]float64
	var a, b [4][points]complex128
	for i := range points {
		f[i] = low * math.Pow(high/low, (float64(i)+0.5)/points)
		for s := range mains {
			a[s][i], b[s][i] = mains[s].at(f[i]), fills[s].at(f[i])
		}
	}
	return func(delayMs, sign float64) float64 {
		var sums [4]float64
		for i := range points {
			turn := cmplx.Rect(sign, -2*math.Pi*f[i]*delayMs/1000)
			for s := range sums {
				x, y := a[s][i], b[s][i]*turn
				sums[s] += 20 * math.Log10(max(1e-3, cmplx.Abs(x+y)/(cmplx.Abs(x)+cmplx.Abs(y)))) / points
			}
		}
		if aim == wire.AimWorst {
			return slices.Min(sums[:])
		}
		return (sums[0] + sums[1] + sums[2] + sums[3]) / 4
	}
}

func metres(m float64) *float64 { return &m }

// Takes from before and after a change of the settings are put into one state,
// that of now; a sum from another state is not taken for that of today.
func TestTakesOfDifferentStates(t *testing.T) {
	d := newDesk(t, known())
	one, two := d.seat("one"), d.seat("two")
	a, b := path{{20, 0.5}}, path{{27, -0.5}}
	d.take(one, a, nil, "main")
	d.take(one, b, nil, "fill")
	d.take(one, both(a, b), nil, "main", "fill")
	d.dialled["fill"] = wire.Dial{DelayMs: 5, Polarity: "same"} // 7 ms less, and turned
	sum := d.take(one, both(a, b.set(-7, -1)), nil, "main", "fill")
	d.take(two, path{{25, 0.5}}, nil, "main")
	d.take(two, path{{25, 0.5}}, nil, "fill")
	got := d.align(wire.AlignQuery{SpreadM: metres(0)})
	if len(got.Seats) != 2 || got.Plan.DelayMs > 0.005 || got.Plan.PolarityB != "same" || float64(got.Efficiency.Today) < -0.01 {
		t.Errorf("what was dialled in already is planned again: %+v %+v", *got.Plan, got.Efficiency)
	}
	if s := got.Seats[0]; s.TakeBoth != sum || math.Abs(float64(s.OffsetMs)) > 0.01 || s.Polarity != "same" {
		t.Errorf("the ledger of seat one is not of now: take %d, offset %g ms, %s", s.TakeBoth, s.OffsetMs, s.Polarity)
	}
	if s := got.Seats[1]; !s.Predicted || s.TakeBoth != 0 || !strings.Contains(strings.Join(got.Missing, "; "), "two: main and fill together") {
		t.Errorf("%+v, missing %q", s.TakeBoth, got.Missing)
	}
}

// Three loudspeakers, pair by pair against the main: the main has to wait for
// one, and then the other waits as well. With all of it dialled in, all are in step.
func TestPlansOfPairsAddUp(t *testing.T) {
	for name, dials := range map[string]map[string]wire.Dial{
		"known":   {"main": {Polarity: "same"}, "fill": {Polarity: "same"}, "sub": {Polarity: "same"}},
		"unknown": nil,
	} {
		d := newDesk(t, dials)
		seat := d.seat("one")
		paths := map[string]path{"main": {{20, 0.5}}, "fill": {{16.8, 0.5}}, "sub": {{23.1, -0.5}}}
		for who, p := range paths {
			d.take(seat, p, nil, who)
		}
		first := d.store(wire.PlanRequest{}) // the fill waits 3.2 ms
		second := d.store(wire.PlanRequest{Main: "main", Fill: "sub"})
		if first.Plan.Wait != "B" || second.Plan.Wait != "A" || len(second.Settings) != 3 {
			t.Fatalf("%s: %+v, %+v", name, first.Plan, second.Settings)
		}
		final := map[string]wire.Dial{}
		for _, p := range []wire.StoredPlan{first, second} {
			for _, c := range p.Settings {
				final[c.Loudspeaker] = c.To
			}
		}
		for who, want := range map[string]wire.Dial{"main": {DelayMs: 3.1, Polarity: "same"}, "fill": {DelayMs: 6.3, Polarity: "same"}, "sub": {Polarity: "opposite"}} {
			if got := final[who]; math.Abs(got.DelayMs-want.DelayMs) > 0.005 || got.Polarity != want.Polarity {
				t.Errorf("%s: %s is set to %+v, want %+v", name, who, got, want)
			}
		}
		// Planning the fill again counts with the main's wait.
		if a := d.align(wire.AlignQuery{}); len(a.Applied) != 1 || a.Applied[0] != second.ID || math.Abs(a.Plan.DelayMs-6.3) > 0.005 {
			t.Errorf("%s: %+v", name, a.Plan)
		}
	}
}

// Each kind of takes that cannot be used is named, with what to do, and nothing
// stored is touched.
func TestBadTakes(t *testing.T) {
	a, b := path{{20, 0.5}}, path{{21, 0.5}}
	for want, set := range map[string]func(d *desk, seat int64){
		"one: fill alone": func(d *desk, seat int64) { d.take(seat, a, nil, "main") },
		"No seat has both": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, a, nil, "main") // twice the same is not a pair
		},
		"sample rate 48000 and fill with 96000: take both at one rate": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(_ *show.Take, s *response.Spectra) { s.SampleRateHz = 96000 }, "fill")
		},
		"window 32768 and fill with 8192: take both with one window": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(_ *show.Take, s *response.Spectra) { s.Window = 8192 }, "fill")
		},
		"reference channel 1 and fill with 3": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(t *show.Take, _ *response.Spectra) { t.Reference = 3 }, "fill")
		},
		"source hall and fill with barn": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(t *show.Take, _ *response.Spectra) { t.Source = "barn" }, "fill")
		},
		"share no band": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, path{{21, 0.05}}, nil, "fill")
		},
		"play louder": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(_ *show.Take, s *response.Spectra) {
				for k := range s.Gyy {
					s.Gyy[k] = 1e3
				}
			}, "fill")
		},
		"two is left out: takes at 48000 and 44100 Hz": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, nil, "fill")
			other := d.seat("two")
			slow := func(_ *show.Take, s *response.Spectra) { s.SampleRateHz = 44100 }
			d.take(other, a, slow, "main")
			d.take(other, b, slow, "fill")
		},
		"one is left out: fill was imported without a phase": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, func(t *show.Take, _ *response.Spectra) {
				t.Origin, t.Results.AssumedPhase = show.Imported, true
			}, "fill")
		},
		"take of both was made otherwise": func(d *desk, seat int64) {
			d.take(seat, a, nil, "main")
			d.take(seat, b, nil, "fill")
			d.take(seat, both(a, b), func(t *show.Take, _ *response.Spectra) { t.Reference = 5 }, "main", "fill")
		},
	} {
		t.Run(want, func(t *testing.T) {
			d := newDesk(t, nil)
			set(d, d.seat("one"))
			before, err := d.x.Info()
			if err != nil {
				t.Fatal(err)
			}
			got := d.align(wire.AlignQuery{})
			if said := strings.Join(append(got.Missing, got.Reasons...), "; "); !strings.Contains(said, want) {
				t.Errorf("said %q", said)
			}
			if got.Plan == nil {
				if _, err := d.StorePlan(context.Background(), wire.PlanRequest{Main: "main", Fill: "fill"}, "test"); err == nil {
					t.Error("a plan of nothing was stored")
				}
			}
			if after, err := d.x.Info(); err != nil || after.Revision != before.Revision {
				t.Error("the show was changed")
			}
		})
	}
	d := newDesk(t, nil)
	if _, err := d.Align(context.Background(), wire.AlignQuery{Main: "main", Fill: "roof", Aim: wire.AimMean}); err == nil || !strings.Contains(err.Error(), `no loudspeaker "roof"`) {
		t.Errorf("%v", err)
	}
	if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: 4}, "test"); err == nil || !strings.Contains(err.Error(), "no plan 4") {
		t.Errorf("%v", err)
	}
}

// A plan by hand is kept as it is chosen, with what it does.
func TestPlanByHand(t *testing.T) {
	d := newDesk(t, nil)
	seat := d.seat("one")
	d.take(seat, path{{20, 0.5}}, nil, "main")
	d.take(seat, path{{18, 0.5}}, nil, "fill")
	p := d.store(wire.PlanRequest{Name: "mine", Plan: &wire.PlanChoice{Wait: "B", DelayMs: 1.5, PolarityB: "same"}})
	if p.Name != "mine" || p.Plan.DelayMs != 1.5 || !(p.Efficiency.Plan < -1) || p.Settings[0].Known {
		t.Errorf("%+v", p)
	}
	if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: p.ID}, "test"); err == nil || !strings.Contains(err.Error(), "processor") {
		t.Errorf("a real processor is dialled in from here: %v", err)
	}
	if got, err := plan(d.x, p.ID); err != nil || got.Plan != p.Plan || got.Dialled {
		t.Errorf("%+v, %v", got, err)
	}
}

// Prediction against proof, with every fault that a hand can make.
func TestVerify(t *testing.T) {
	a, b := mains[0], fills[0]
	for name, c := range map[string]struct {
		sum  func(ms float64) path // with the plan's change of the fill's delay
		pass bool
		want string
	}{
		"as planned":           {func(ms float64) path { return both(a, b.set(ms, -1)) }, true, "passes"},
		"within half a dB":     {func(ms float64) path { return both(a, b.set(ms+0.02, -0.95)) }, true, "passes"},
		"polarity forgotten":   {func(ms float64) path { return both(a, b.set(ms, 1)) }, false, "polarity of fill is not as planned"},
		"delay forgotten":      {func(ms float64) path { return both(a, b.set(0, -1)) }, false, "7.6"},
		"1 ms too late":        {func(ms float64) path { return both(a, b.set(ms+1, -1)) }, false, "1.00 ms (0.34 m) too late"},
		"half a ms too early":  {func(ms float64) path { return both(a, b.set(ms-0.5, -1)) }, false, "0.50 ms (0.17 m) too early"},
		"neither":              {func(ms float64) path { return both(a, b) }, false, "Neither the polarity"},
		"fill 6 dB too loud":   {func(ms float64) path { return both(a, b.set(ms, -2)) }, false, "6.0 dB louder"},
		"fill 6 dB too quiet":  {func(ms float64) path { return both(a, b.set(ms, -0.5)) }, false, "6.0 dB quieter"},
		"fill muted":           {func(ms float64) path { return a }, false, "hardly heard"},
		"microphone elsewhere": {func(ms float64) path { return both(path{{21, 0.2}, {22.2, 0.2}}, path{{21, 0.15}, {23.1, 0.16}}) }, false, "Survey the seat again"},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, known())
			seat := d.seat("row 1")
			d.take(seat, a, nil, "main")
			d.take(seat, b, nil, "fill")
			p := d.store(wire.PlanRequest{LowHz: 150, HighHz: 4000})
			if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: p.ID}, "test"); err != nil {
				t.Fatal(err)
			}
			if got := d.dialled["fill"]; math.Abs(got.DelayMs-(12-p.Plan.DelayMs)) > 1e-9 || got.Polarity != "same" {
				t.Fatalf("dialled in: %+v", got)
			}
			take := d.take(seat, c.sum(-p.Plan.DelayMs), nil, "main", "fill")
			v, err := d.Prove(wire.VerifyRequest{Plan: p.ID}, seat, take, "test")
			if err != nil {
				t.Fatal(err)
			}
			if v.Pass != c.pass || !strings.Contains(v.Text, c.want) {
				t.Errorf("pass %v: %s (%+.2f dB, delay %+.3f ms, level %+.2f dB, %s)", v.Pass, v.Text, float64(v.DifferenceDB), float64(v.DelayErrorMs), float64(v.LevelErrorDB), v.Polarity)
			}
			if kept, err := plan(d.x, p.ID); err != nil || len(kept.Verified) != 1 || kept.Verified[0].Pass != v.Pass || kept.Verified[0].Take != take {
				t.Errorf("kept %+v, %v", kept.Verified, err)
			}
		})
	}
}

// Proofs of one plan that end at once are all kept, beside what else was changed of it;
// one that ends after the plan was deleted does not bring it back.
func TestProofsThatEndAtOnce(t *testing.T) {
	d := newDesk(t, known())
	a, b := mains[0], fills[0]
	var seats, takes []int64
	for i := range 3 {
		seat := d.seat(fmt.Sprintf("row %d", i+1))
		d.take(seat, a, nil, "main")
		d.take(seat, b, nil, "fill")
		seats = append(seats, seat)
	}
	p := d.store(wire.PlanRequest{LowHz: 150, HighHz: 4000})
	if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: p.ID}, "test"); err != nil {
		t.Fatal(err)
	}
	for _, seat := range seats {
		takes = append(takes, d.take(seat, both(a, b.set(-p.Plan.DelayMs, -1)), nil, "main", "fill"))
	}
	var all sync.WaitGroup
	for i, seat := range seats {
		all.Go(func() {
			if _, err := d.Prove(wire.VerifyRequest{Plan: p.ID}, seat, takes[i], "test"); err != nil {
				t.Error(err)
			}
		})
	}
	all.Go(func() {
		if _, err := d.x.ChangePlan(p.ID, func(item *show.Plan) error { item.Note = "for tonight"; return nil }, "test"); err != nil {
			t.Error(err)
		}
	})
	all.Wait()
	items, err := d.x.Plans()
	if err != nil || len(items) != 1 || items[0].Note != "for tonight" {
		t.Fatalf("%+v, %v", items, err)
	}
	if kept, err := plan(d.x, p.ID); err != nil || len(kept.Verified) != len(seats) || !kept.Dialled {
		t.Errorf("%d proofs are kept, want %d; dialled in: %v, %v", len(kept.Verified), len(seats), kept.Dialled, err)
	}
	if _, err := d.x.Delete(show.KindPlan, p.ID, "test"); err != nil {
		t.Fatal(err)
	}
	if _, err := inForce(d.x, p, nil, "test"); err == nil || !strings.Contains(err.Error(), "there is no plan") {
		t.Errorf("deleted, and put in force: %v", err)
	}
	if items, err := d.x.Plans(); err != nil || len(items) != 0 {
		t.Errorf("it is back: %+v, %v", items, err)
	}
}

// Where nobody knows what is set, a plan that was proved counts as dialled in.
func TestProvedPlansCountAsDialledIn(t *testing.T) {
	d := newDesk(t, nil)
	seat := d.seat("row 1")
	a, b := path{{20, 0.5}}, path{{16, 0.5}}
	d.take(seat, a, nil, "main")
	d.take(seat, b, nil, "fill")
	p := d.store(wire.PlanRequest{})
	if len(d.Dialled(0)) != 0 || math.Abs(d.Dialled(p.ID)["fill"].DelayMs-4) > 0.005 {
		t.Errorf("before: %v, while it is verified: %v", d.Dialled(0), d.Dialled(p.ID))
	}
	take := d.take(seat, both(a, b.set(4, 1)), nil, "main", "fill")
	if v, err := d.Prove(wire.VerifyRequest{Plan: p.ID}, seat, take, "test"); err != nil || !v.Pass {
		t.Fatalf("%+v, %v", v, err)
	}
	if got := d.Dialled(0)["fill"]; math.Abs(got.DelayMs-4) > 0.005 {
		t.Errorf("%+v", got)
	}
	if _, err := d.VerifyPlan(context.Background(), wire.VerifyRequest{Plan: p.ID, Seats: wire.Seats{Seat: d.seat("row 9")}}, "test"); err == nil || !strings.Contains(err.Error(), "survey it first") {
		t.Errorf("a seat without takes: %v", err)
	}
}
