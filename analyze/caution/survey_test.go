package caution

import (
	"math"
	"testing"
)

// The kernel of this processor and the one in Go agree to the last bit, and both with
// what is counted one by one.
func TestSurveyEqualsGo(t *testing.T) {
	for _, n := range []int{1, 2, 8, 9, 10, 17, 25, 1000} {
		x := bits(noise(uint64(n), n, 0.02), 8) // coarse enough that samples are equal
		if n == 25 {
			x[3], x[20] = math.NaN(), math.NaN()
		}
		const last = 0.0
		sum, low, high, equal := survey(x, last)
		wantLow, wantHigh, wantEqual, wantSum := x[0], x[0], 0, 0.0
		before := last
		for _, v := range x {
			wantSum += v * v
			if v == before {
				wantEqual++
			}
			if v < wantLow {
				wantLow = v
			}
			if v > wantHigh {
				wantHigh = v
			}
			before = v
		}
		if low != wantLow || high != wantHigh || equal != wantEqual || math.Abs(sum-wantSum) > 1e-14*wantSum || math.IsNaN(sum) != math.IsNaN(wantSum) {
			t.Errorf("%d samples: %v, %v, %v, %v, want %v, %v, %v, %v", n, sum, low, high, equal, wantSum, wantLow, wantHigh, wantEqual)
		}
		if n <= lanes || n == 25 {
			continue
		}
		var got, want surveyed
		x = x[:(n-1)/lanes*lanes+1]
		steps(x, &got)
		stepsGo(x, &want)
		if got != want {
			t.Errorf("%d samples: %v, want %v", n, got, want)
		}
	}
}
