package alignment

import (
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/summation"
)

// Arrivals that know their signs say the polarity that makes them add; where none
// does, or two contradict each other, it is the one that gives more.
func TestArrivalsSayThePolarity(t *testing.T) {
	var grid []float64
	for hz := 100.0; hz < 5000; hz += 5 {
		grid = append(grid, hz)
	}
	a, b := theatre(3) // whose fills are turned
	for name, c := range map[string]struct {
		signs [2]int
		want  int
	}{
		"both turned":             {[2]int{-1, -1}, -1},
		"one not told":            {[2]int{0, 1}, 1},
		"none told":               {[2]int{0, 0}, -1},
		"they contradict another": {[2]int{1, -1}, -1},
		"none is turned":          {[2]int{1, 1}, 1},
	} {
		var seats []Seat
		for i, sign := range c.signs {
			offsetMs := b[i].Copies[0].DelayMs - a[i].Copies[0].DelayMs
			seats = append(seats, Seat{
				A: seattest.Exact(grid, 30, a[i].Response), B: seattest.Exact(grid, 30, b[i].Response),
				Arrivals: Arrivals{OffsetMs: offsetMs, SDMs: 0.02, Sign: sign},
			})
		}
		p, err := New(Config{Band: summation.Band{LowHz: 100, HighHz: 5000}, MaxDelayMs: 12}, seats)
		if err != nil {
			t.Fatal(err)
		}
		by, _, ok := p.byArrivals(0)
		if !ok || by.Sign != c.want {
			t.Errorf("%s: %+v, %v", name, by, ok)
		}
	}
}
