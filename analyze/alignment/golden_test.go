package alignment

import (
	"math/rand/v2"
	"testing"

	kept "plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
)

// Plans over noisy and exact seats, with what they rest on, are as before.
func TestUnchanged(t *testing.T) {
	type seen struct {
		Result    *Result
		Certainty Certainty
		Why       Why
		Band      summation.Band
		Cells     []Cell
		Gains     []float64
		Curve     []float64
		Opposite  []float64
		Adds      float64
		Nothing   float64
		AlikeDB   float64
		Points    float64
		Aim       Interval
		Seats     []Interval
	}
	var all []seen
	for i, cfg := range []Config{
		{}, {Aim: Worst, MaxDelayMs: 30}, {Gain: true}, {Band: summation.Band{LowHz: 60, HighHz: 200}},
	} {
		rng := rand.New(rand.NewPCG(uint64(i), 31))
		var seats []Seat
		a, b := theatre(uint64(i))
		for k := range min(3, len(a)) {
			if i%2 == 0 {
				grid := seattest.LogGrid(40, 16000, 24)
				seats = append(seats, Seat{A: seattest.Exact(grid, 30, a[k].Response), B: seattest.Exact(grid, 30, b[k].Response), SpreadMs: 0.1})
				continue
			}
			var s [2]*response.Spectra
			for j, path := range []seattest.Path{a[k], b[k]} {
				ref, mic := seattest.RecordN(rng, 1<<17, 0, 15, path)
				s[j] = seattest.Welch(ref, mic, 8192, path.Copies[0].DelayMs)
			}
			seats = append(seats, Seat{A: s[0], B: s[1], SpreadMs: 0.05})
		}
		p, err := New(cfg, seats)
		if err != nil {
			t.Fatal(err)
		}
		x := seen{Result: p.Solve(), Band: p.Band(), Cells: p.Cells(0), AlikeDB: p.AlikeDB()}
		x.Certainty, x.Why = x.Result.Certainty()
		x.Gains = p.Gains(nil, x.Result.Plan)
		x.Curve, x.Opposite = make([]float64, 200), make([]float64, 200)
		p.Curves(x.Curve, x.Opposite, 0, 0, -5, 0.05)
		x.Adds, x.Nothing = p.Reach()
		_, x.Points = p.Points().Efficiency(nil, x.Result.Plan)
		x.Aim, x.Seats = p.Interval(Setting{DelayMs: 1, Sign: 1})
		all = append(all, x)
	}
	kept.Check(t, "plans", all)
}
