package arrival

import (
	"math/rand/v2"
	"testing"
)

// Where there is no arrival there is a reason, whatever was recorded.
func TestNoArrivalWithoutAReason(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	noise := func(size float64) []float64 {
		x := make([]float64, 9000)
		for i := range x {
			x[i] = size * r.NormFloat64()
		}
		return x
	}
	pulse := make([]float64, 9000)
	pulse[4500] = 1
	kinds := map[string][]float64{"silence": make([]float64, 9000), "pulse": pulse, "noise": noise(1), "faint": noise(1e-12), "beyond": noise(1e160)}
	for a, x := range kinds {
		for b, y := range kinds {
			f, err := NewFinder(Config{SampleRateHz: 48000, MaxDelayS: 0.3})
			if err != nil {
				t.Fatal(err)
			}
			for range 2 {
				f.Feed(x, y)
			}
			if list, reason := f.Find(nil); (len(list) == 0) != (reason != "") {
				t.Errorf("%s against %s: %d arrivals, reason %q", b, a, len(list), reason)
			}
		}
	}
}
