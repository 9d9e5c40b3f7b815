package alignment

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/summation"
)

// hall is 16 seats on a frequency grid, noise-free.
func hall(tb testing.TB, frequencyHz []float64, spreadMs float64) *Problem {
	rng := rand.New(rand.NewPCG(1, 1))
	var seats []Seat
	for range 16 {
		path := func(delayMs float64) seattest.Path {
			p := seattest.Path{Copies: []seattest.Copy{{DelayMs: delayMs, Gain: 1}}, LowHz: 60, HighHz: 16000}
			return p.Reflect(rng, 8, 4, 60, 0.5)
		}
		a, b := path(30), path(22+2*rng.Float64())
		seats = append(seats, Seat{
			A: seattest.Exact(frequencyHz, 30, a.Response),
			B: seattest.Exact(frequencyHz, 30, b.Response), SpreadMs: spreadMs,
		})
	}
	p, err := New(Config{Band: summation.Band{LowHz: 60, HighHz: 16000}}, seats)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// grids are the product's default, 48 points an octave, and a 65536-sample window.
func grids() map[string][]float64 {
	linear := make([]float64, 32769)
	for k := range linear {
		linear[k] = float64(k) * seattest.RateHz / 65536
	}
	return map[string][]float64{"multi": seattest.LogGrid(20, 20000, 48), "65536": linear}
}

// The whole search over 16 seats, ±50 ms, both polarities, 60 Hz…16 kHz.
func BenchmarkSolve16Seats(b *testing.B) {
	for name, grid := range grids() {
		for where, ms := range spreads {
			b.Run(name+"/"+where, func(b *testing.B) {
				p := hall(b, grid, ms)
				for b.Loop() {
					p.Solve()
				}
			})
		}
	}
}

// One delay at 16 seats: what dragging the handle costs.
func BenchmarkDrag16Seats(b *testing.B) {
	for name, grid := range grids() {
		for where, ms := range spreads {
			b.Run(name+"/"+where, func(b *testing.B) {
				p := hall(b, grid, ms)
				dst := make([]float64, p.Seats())
				for b.Loop() {
					p.Efficiency(dst, Setting{DelayMs: 3.21, Sign: -1})
				}
			})
		}
	}
}

// 1001 delays of one seat, both polarities, for the page.
func BenchmarkCurves(b *testing.B) {
	for where, ms := range spreads {
		b.Run(where, func(b *testing.B) {
			p := hall(b, grids()["65536"], ms)
			same, opposite := make([]float64, 1001), make([]float64, 1001)
			for b.Loop() {
				p.Curves(same, opposite, 0, 0, -5, 0.01)
			}
		})
	}
}

// spreads are none, and 10 cm with the two 45° apart.
var spreads = map[string]float64{"points": 0, "heads": SpreadMs(DefaultSpreadM, Apart(UnknownAngleDeg), 343)}

func ExampleProblem_Solve() {
	grid := seattest.LogGrid(80, 4000, 48)
	main := seattest.Path{Copies: []seattest.Copy{{DelayMs: 20, Gain: 1}}}
	fill := seattest.Path{Copies: []seattest.Copy{{DelayMs: 12.6, Gain: -1}}}
	problem, err := New(Config{}, []Seat{{
		A: seattest.Exact(grid, 30, main.Response),
		B: seattest.Exact(grid, 30, fill.Response),
	}})
	if err != nil {
		panic(err)
	}
	r := problem.Solve()
	who, ms := r.Plan.Wait()
	fmt.Printf("%s waits %.2f ms, polarity %+d: %.1f dB lost instead of %.1f dB\n",
		who, ms, r.Plan.Sign, -r.PlanDB, -r.TodayDB)
	// Output: B waits 7.40 ms, polarity -1: 0.0 dB lost instead of 5.9 dB
}
