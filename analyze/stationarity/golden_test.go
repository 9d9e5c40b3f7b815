package stationarity

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/programme"
)

// What paths are found to have done, stretch by stretch, is as before.
func TestUnchanged(t *testing.T) {
	type seen struct {
		Name    string
		Verdict Verdict
		Longest Part
		Late    []float64 // of the path that is followed
		Rest    []float64 // the microphone with its path at rest
	}
	var all []seen
	for i, m := range movements {
		if i%2 == 1 {
			continue // enough of them
		}
		take := programme.RandomTake(uint64(40+i), rateHz, 10)
		y := m.spoil(append([]float64(nil), take.Y...))
		s, err := NewStretches(rateHz)
		if err != nil {
			t.Fatal(err)
		}
		d := int(math.Round(take.DelayS * rateHz))
		for at := 0; at+s.Frames()+d <= len(y); at += s.Frames() / 2 {
			s.Add(float64(at+s.Frames()/2)/rateHz, take.X[at:at+s.Frames()], y[at+d:at+d+s.Frames()])
		}
		x := seen{Name: m.name, Verdict: s.Judge()}
		track := s.Track()
		x.Longest = Longest(x.Verdict.Parts)
		if p := Follow(track); p != nil {
			later := p.Then(Drift(20, 3)).Then(Later(1e-4)).Move(0.5)
			for at := -1.; at < 14; at += 0.37 {
				x.Late = append(x.Late, later.OffsetS(at))
			}
			x.Rest = make([]float64, 3000)
			NewRetimer().Retime(x.Rest, 200000, y[199000:204000], 199000, later, rateHz)
		}
		all = append(all, x)
	}
	golden.Check(t, "movements", all)
}

// What a monitor makes of delays that stand, drift, wander and jump is as before.
func TestMonitorUnchanged(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	var all []Movement
	for _, how := range []func(at float64) float64{
		func(float64) float64 { return 0.01 },
		func(at float64) float64 { return 0.01 + 3e-6*at },
		func(at float64) float64 { return 0.01 - 40e-6*at },
		func(at float64) float64 { return 0.01 + 2e-5*math.Sin(at) },
		func(at float64) float64 { return 0.01 + 1e-4*math.Floor(at/20) },
		func(at float64) float64 { return 0.01 + 2e-6*math.Sin(at/3) },
	} {
		for _, sd := range []float64{1e-7, 1e-6, 1e-5} {
			var m Monitor
			for i := range 900 {
				at := float64(i) * 0.043
				if i > 500 && i < 560 {
					continue // not heard for a while
				}
				m.Add(at, how(at)+sd*r.NormFloat64(), sd)
				if i%60 == 59 {
					all = append(all, m.Movement())
				}
			}
		}
	}
	golden.Check(t, "monitor", all)
}
