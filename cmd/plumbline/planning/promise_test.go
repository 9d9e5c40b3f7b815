package planning

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// randomSeats stores takes of two loudspeakers at some seats, with walls.
func (d *desk) randomSeats(rng *rand.Rand, n int) {
	apart, sign := 16*rng.Float64()-8, float64(1-2*rng.IntN(2))
	for i := range n {
		main := 15 + 10*rng.Float64()
		a := path{{main, 0.5}}
		b := path{{main + apart + 3*rng.Float64(), sign * (0.2 + 0.4*rng.Float64())}}
		for range 3 {
			a = append(a, path{{main + 3 + 20*rng.Float64(), 0.3*rng.Float64() - 0.15}}...)
			b = append(b, path{{b[0].ms + 3 + 20*rng.Float64(), 0.3*rng.Float64() - 0.15}}...)
		}
		seat := d.seat(fmt.Sprintf("row %d", i+1))
		d.take(seat, a, nil, "main")
		d.take(seat, b, nil, "fill")
	}
}

// What a plan's sentence says is what stands in the table: over many random plans
// the numbers that it is made of are those of the seats, on one scale.
func TestPromiseIsOnTheScaleOfTheSeats(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	const rooms = 12
	lost, worth := 0, 0
	for seed := range uint64(rooms) {
		rng := rand.New(rand.NewPCG(seed, 4))
		d := newDesk(t, known())
		d.randomSeats(rng, 1+rng.IntN(4))
		q := wire.AlignQuery{LowHz: 100, HighHz: 6000, Aim: []string{wire.AimMean, wire.AimWorst}[seed%2], SpreadM: metres(0.05 * float64(seed%4))}
		a := d.align(q)
		p, quietest, then := a.Promise, math.Inf(1), math.Inf(1)
		mean, losing := 0.0, 0
		for _, s := range a.Seats {
			if got := float64(s.HeadsPlanDB - s.HeadsDB); math.Abs(got-float64(s.ChangeDB)) > 1e-9 {
				t.Errorf("%d: %s changes by %g dB, from %g to %g dB", seed, s.Name, s.ChangeDB, s.HeadsDB, s.HeadsPlanDB)
			}
			mean += float64(s.ChangeDB) / float64(len(a.Seats))
			quietest, then = min(quietest, float64(s.HeadsDB)), min(then, float64(s.HeadsPlanDB))
			// At the point of the microphone the level is the ledger's, but for which lines count.
			if *q.SpreadM == 0 && (math.Abs(float64(s.HeadsDB-s.GainDB)) > 0.35 || math.Abs(float64(s.HeadsPlanDB-s.PlanGainDB)) > 0.35) {
				t.Errorf("%d: %s: %.2f and %.2f dB, in the ledger %.2f and %.2f", seed, s.Name, s.HeadsDB, s.HeadsPlanDB, s.GainDB, s.PlanGainDB)
			}
			if float64(s.ChangeDB) <= -losesDB {
				losing++
				if !strings.Contains(strings.Join(p.Losing, ";"), s.Name) || float64(p.LosingDB) > float64(s.ChangeDB) {
					t.Errorf("%d: %s loses %.2f dB, named are %v with %.2f dB", seed, s.Name, s.ChangeDB, p.Losing, p.LosingDB)
				}
			}
		}
		if q.Aim == wire.AimWorst {
			mean = then - quietest
		}
		if math.Abs(mean-float64(p.ChangeDB)) > 1e-9 || p.Seats != len(a.Seats) || len(p.Losing) != losing || (losing == 0) != (p.LosingDB == 0) {
			t.Errorf("%d: promised %+v, the seats make %.3f dB, %d lose", seed, p, mean, losing)
		}
		gain := float64(a.Efficiency.Plan - a.Efficiency.Today)
		if p.Worth != (gain > worthDB) {
			t.Errorf("%d: worth it: %v, the efficiency gains %.2f dB", seed, p.Worth, gain)
		}
		// The sentence has these numbers and no other.
		want := []string{"No delay or polarity does better."}
		if p.Worth {
			worth++
			want = []string{fmt.Sprintf("%.1f dB", math.Abs(float64(p.ChangeDB)))}
			if math.Abs(float64(p.ChangeDB)) < sameDB {
				want = []string{"as loud"}
			}
			if losing > 0 && p.Seats > 1 {
				lost++
				want = append(want, fmt.Sprintf("%.1f dB by it", -float64(p.LosingDB)), p.Losing[0])
			}
			if (float64(p.ChangeDB) >= sameDB) != strings.Contains(p.Text, "gives") {
				t.Errorf("%d: a change of %.2f dB is told as %q", seed, p.ChangeDB, p.Text)
			}
		}
		for _, w := range want {
			if !strings.Contains(p.Text, w) {
				t.Errorf("%d: %q lacks %q", seed, p.Text, w)
			}
		}
		if said := strings.Join(a.Reasons, " "); !strings.Contains(said, p.Text) || !strings.Contains(said, p.ReachText) {
			t.Errorf("%d: the reasons %q do not say %q and %q", seed, said, p.Text, p.ReachText)
		}
		stored := d.store(wire.PlanRequest{LowHz: 100, HighHz: 6000, Aim: q.Aim, SpreadM: q.SpreadM})
		if stored.Promise.Text != p.Text || math.Abs(float64(stored.Promise.ChangeDB-p.ChangeDB)) > 1e-9 || *stored.SpreadM != *q.SpreadM {
			t.Errorf("%d: kept with the plan: %+v, asked: %+v", seed, stored.Promise, p)
		}
	}
	if lost == 0 || worth < rooms/2 {
		t.Errorf("%d plans are worth it and %d name who loses: the trial does not try", worth, lost)
	}
}

// Once a plan is dialled in, into the rig or by hand at a processor, what is called
// today is what is in force: the ledger, the level and the efficiency are those that
// were promised, and nothing more is to be gained.
func TestTodayIsWhatIsInForce(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	for name, dials := range map[string]map[string]wire.Dial{"rig": known(), "processor": nil} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, dials)
			for i := range mains {
				seat := d.seat(fmt.Sprintf("row %d", i+1))
				d.take(seat, mains[i], nil, "main")
				d.take(seat, fills[i], nil, "fill")
				d.take(seat, both(mains[i], fills[i]), nil, "main", "fill")
			}
			q := wire.AlignQuery{LowHz: 150, HighHz: 4000}
			before := d.align(q)
			if !before.Promise.Worth || before.Seats[0].Predicted {
				t.Fatalf("%+v", before.Promise)
			}
			p := d.store(wire.PlanRequest{LowHz: 150, HighHz: 4000})
			if a := d.align(q); a.Efficiency != before.Efficiency {
				t.Errorf("keeping a plan changed today: %+v, was %+v", a.Efficiency, before.Efficiency)
			}
			if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: p.ID, ByHand: dials == nil}, "test"); err != nil {
				t.Fatal(err)
			}
			after := d.align(q)
			near := func(what string, got, want wire.Value, within float64) {
				t.Helper()
				if !(math.Abs(float64(got-want)) <= within) {
					t.Errorf("%s: %.3f dB, promised %.3f dB", what, got, want)
				}
			}
			near("efficiency today", after.Efficiency.Today, before.Efficiency.Plan, 0.01)
			if after.Promise.Worth || math.Abs(after.Plan.DelayMs) > 0.1 || after.Promise.Text != "No delay or polarity does better." {
				t.Errorf("after it is dialled in: %+v, %+v", *after.Plan, after.Promise)
			}
			for i, s := range after.Seats {
				was := before.Seats[i]
				near(s.Name+", efficiency", s.TodayDB, was.PlanDB, 0.01)
				near(s.Name+", where heads are", s.HeadsDB, was.HeadsPlanDB, 0.05)
				near(s.Name+", in the ledger", s.GainDB, was.PlanGainDB, 0.05)
				// The take of both was made before; what is now is predicted until it is measured.
				if !s.Predicted || s.TakeBoth != 0 || math.Abs(float64(s.OffsetMs)) > 1 {
					t.Errorf("%s: both of take %d, offset %g ms", s.Name, s.TakeBoth, s.OffsetMs)
				}
			}
			// Measured with the plan, it is of today.
			seat := after.Seats[0].Seat
			take := d.take(seat, both(mains[0], fills[0].set(-p.Plan.DelayMs, -1)), nil, "main", "fill")
			if v, err := d.Prove(wire.VerifyRequest{Plan: p.ID}, seat, take, "test"); err != nil || !v.Pass {
				t.Fatalf("%+v, %v", v.Text, err)
			}
			if s := d.align(q).Seats[0]; s.TakeBoth != take || s.Predicted {
				t.Errorf("the proof is not the sum of today: take %d", s.TakeBoth)
			}
		})
	}
	d := newDesk(t, known())
	d.randomSeats(rand.New(rand.NewPCG(1, 1)), 1)
	p := d.store(wire.PlanRequest{})
	if _, err := d.DialPlan(context.Background(), wire.DialRequest{Plan: p.ID, ByHand: true}, "test"); err == nil || !strings.Contains(err.Error(), "says itself") {
		t.Errorf("a virtual rig dialled in by hand: %v", err)
	}
}
