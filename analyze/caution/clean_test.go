package caution

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

// A clean take has no caution: programme with pauses, loud and soft, through rooms
// with noise, in 16 and 24 bits and in floating point, as loud as can be without
// clipping and as soft as a careless gain makes it. Own simulation.
func TestCleanTakesAreNotMarked(t *testing.T) {
	takes := 8
	if truth.Thorough {
		takes = 500
	}
	marked := 0
	for k := range takes {
		r := programme.New(uint64(k))
		const n = 8 * rate
		var x []float64
		switch k % 4 {
		case 0:
			x = programme.Pink(r, rate, n)
		case 1:
			x = programme.Music(r, rate, n)
		case 2:
			x = programme.Speech(r, rate, n)
		case 3: // gated, exact silence between
			x = programme.White(r, n)
			for i := range x {
				if i/(rate/3)%2 == 1 {
					x[i] = 0
				}
			}
		}
		y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.01+0.05*r.Float64(), 0.3+r.Float64(), 6)), 10+30*r.Float64())
		scale := func(x []float64, peakDB float64) []float64 {
			most := max(slices.Max(x), -slices.Min(x))
			out := make([]float64, len(x))
			for i, v := range x {
				out[i] = v / most * math.Pow(10, peakDB/20)
			}
			return out
		}
		x, y = scale(x, -20*r.Float64()), scale(y[:n], -45*r.Float64())
		name := "floating point"
		if depth := []int{0, 16, 24}[k/4%3]; depth > 0 {
			x, y, name = bits(x, depth), bits(y, depth), fmt.Sprint(depth, " bits")
		}
		if list := facts(x, y).Cautions(At(1), At(2), 0); len(list) > 0 {
			marked++
			t.Logf("take %d, %s: %s", k, name, list[0].Text())
		}
	}
	if most := takes / 100; marked > most {
		t.Errorf("%d of %d clean takes are marked", marked, takes)
	}
	if truth.Thorough {
		truth.Claim(t, "clean takes marked as silent, clipped or lossy: at most 5 of 500", "own simulation",
			fmt.Sprintf("%d of %d", marked, takes), truth.AtMost(float64(marked), "5"))
	}
}
