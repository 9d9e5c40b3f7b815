package polarity

import (
	"math"
	"testing"
)

// The phase that a magnitude implies, against the phase of the analog prototype
// itself: a Butterworth high-pass is minimum-phase (Bode 1945).
func TestMinimumPhase(t *testing.T) {
	for _, order := range []int{2, 4} {
		c := cells{first: 0, last: cellCount - 1}
		var want [cellCount]float64
		for k := range c.level {
			s := complex(0, cellHz(k)/100)
			h := s * s / (s*s + s*complex(math.Sqrt2, 0) + 1)
			if order == 4 {
				h *= h
			}
			c.level[k] = real(h)*real(h) + imag(h)*imag(h)
			want[k] = math.Atan2(imag(h), real(h))
		}
		phase, slope := c.minimumPhase(0)
		if math.Abs(slope-float64(order)) > 0.1 {
			t.Errorf("slope %g", slope)
		}
		e := edge{order, 0}
		for k := range phase {
			got := phase[k] + e.below(k, c.first)
			if d := math.Abs(math.Remainder(got-want[k], 2*math.Pi)) * 180 / math.Pi; d > 6 {
				t.Errorf("order %d at %.0f Hz: %.1f° off", order, cellHz(k), d)
			}
		}
	}
}
