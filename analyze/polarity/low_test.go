package polarity_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/polarity"
)

// lowBox draws a box that plays up to somewhere between 60 Hz and 1.8 kHz: closed
// or vented, with a low-pass edge of 12, 18 or 24 dB an octave.
func lowBox(r *rand.Rand) (response func(hz float64) complex128, edgeHz float64) {
	box := programme.Box{
		LowHz: 25 + 20*r.Float64(), LowOrder: 2 + 2*r.IntN(2), LowQ: 0.6 + 0.5*r.Float64(),
		HighHz: 60 * math.Pow(30, r.Float64()),
	}
	order := 2 + r.IntN(3)
	return func(hz float64) complex128 {
		s := complex(0, hz/box.HighHz)
		second := s*s + complex(math.Sqrt2, 0)*s + 1
		switch order {
		case 3: // Butterworth
			return box.Response(hz) * second / ((s + 1) * (s*s + s + 1))
		case 4: // Linkwitz-Riley
			return box.Response(hz) / second
		}
		return box.Response(hz)
	}, box.HighHz
}

// A subwoofer by itself: its edges move the arrival by more than half a period of
// what it plays. What cannot be told is left undecided, and never told wrong.
func TestJudgeOfLowBoxesIsNeverWrong(t *testing.T) {
	n := 16
	if truth.Thorough {
		n = 600
	}
	type outcome struct {
		v     polarity.Verdict
		right int
		edge  float64
		text  string
	}
	results := make([]outcome, n)
	truth.Trials(n, func(i int) {
		box, edge := lowBox(programme.New(uint64(400000 + i)))
		c := simulateWith(t, uint64(i), box, 4.9)
		results[i] = outcome{polarity.Judge(c.Spectra), c.Sign, edge, c.String()}
	})
	wrong, high, decided := 0, 0, 0
	for _, r := range results {
		if r.v.Sign == -r.right {
			wrong++
			t.Errorf("wrong with confidence %.4f: %s, up to %.0f Hz: %s", r.v.Confidence, r.text, r.edge, r.v.Reason)
		}
		if r.edge > 700 {
			high++
			if r.v.Sign != 0 {
				decided++
			}
		}
	}
	share := 100 * float64(decided) / float64(high)
	if share < 85 {
		t.Errorf("decided in %.0f %% of %d boxes that play above 700 Hz", share, high)
	}
	truth.Claim(t, "polarity of subwoofers and other low boxes in rooms on programme: 0 wrong; decided for ≥ 85 % of those that play above 700 Hz", "own simulation; edges after Butterworth 1930, Linkwitz 1976",
		fmt.Sprintf("%.0f wrong in %.0f, %.0f %% decided", float64(wrong), float64(n), share), truth.AtMost(float64(wrong), "0"), truth.AtLeast(share, "85"))
}
