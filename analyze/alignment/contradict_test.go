package alignment

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	claims "plumbline/analyze/internal/truth"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/summation"
)

// contradictory is seats that want different delays and polarities.
func contradictory(rng *rand.Rand, spreadMs float64) []Seat {
	grid := seattest.LogGrid(80, 5000, 48)
	var seats []Seat
	for range 2 + rng.IntN(4) {
		path := func(ms, gain float64) seattest.Path {
			return seattest.Path{Copies: []seattest.Copy{{DelayMs: ms, Gain: gain}}, LowHz: 50, HighHz: 14000}.Reflect(rng, 4, 3, 40, 0.4)
		}
		a, b := path(30, 0.3), path(30+12*rng.Float64()-6, float64(1-2*rng.IntN(2))*(0.15+0.4*rng.Float64()))
		seats = append(seats, Seat{A: seattest.Exact(grid, 30, a.Response), B: seattest.Exact(grid, 30, b.Response), SpreadMs: spreadMs})
	}
	return seats
}

// However the seats contradict each other, the worst of them is within 0.1 dB of what
// an exhaustive search over delay, polarity and gain gives it.
func TestWorstSeatIsTheBestItCanBe(t *testing.T) {
	sets := 9
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		sets = 120
	}
	most := 0.0
	for seed := range uint64(sets) {
		rng := rand.New(rand.NewPCG(seed, 77))
		cfg := Config{Aim: Worst, MaxDelayMs: 10, Gain: seed%3 == 2}
		cfg.Band = []summation.Band{{LowHz: 100, HighHz: 4000}, {LowHz: 100, HighHz: 250}, {LowHz: 300, HighHz: 3000}}[rng.IntN(3)]
		spreadMs := []float64{0, 0.22}[rng.IntN(2)]
		p, err := New(cfg, contradictory(rng, spreadMs))
		if err != nil {
			t.Fatal(err)
		}
		r := p.Solve()
		scratch := make([]float64, p.Seats())
		got, best, where := p.value(scratch, r.Plan), math.Inf(-1), Setting{}
		var w sweep
		step, gains := 0.004, []float64{0}
		if cfg.Gain {
			step, gains = 0.02, gains[:0]
			for db := -12.0; db <= 12; db += 0.5 {
				gains = append(gains, db)
			}
		}
		if cfg.Band.HighHz < 300 {
			step *= 5
		}
		line := make([]float64, int(20/step)+1)
		for _, gain := range gains {
			for _, sign := range []int{1, -1} {
				x := Setting{Sign: sign, GainDB: gain}
				p.line(&w, line, x, -10, step)
				for n, v := range line {
					if v > best {
						best, where = v, x
						where.DelayMs = -10 + float64(n)*step
					}
				}
			}
		}
		if most = max(most, best-got); best-got > 0.1 {
			t.Errorf("set %d, %v, spread %g ms, gain %v: the plan %+v gives the worst seat %.3f dB, %+v %.3f dB", seed, cfg.Band, spreadMs, cfg.Gain, r.Plan, got, where, best)
		}
	}
	claims.Claim(t, "the worst of seats that contradict each other is within 0.1 dB of an exhaustive search over delay, polarity and gain", "the definition over constructed responses",
		fmt.Sprintf("%.2f dB less at most in %d sets of two to five seats", most, sets), claims.AtMost(most, "0.1"))
}
