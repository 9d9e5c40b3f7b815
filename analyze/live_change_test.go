package analyze

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
)

// At many microphones, whose slow results take turns, a second arrival is turned
// over at 3 s, said or not: at 6 s each of them tells it, and its polarity verdict
// is not that of before. The long run is of 32.
func TestManyMicrophonesFollowTheSecondArrival(t *testing.T) {
	const step = rate / 20
	channels := 9
	if truth.Thorough {
		channels = 33
	}
	for _, said := range []bool{true, false} {
		l := newLive(t, channels)
		rng := rand.New(rand.NewPCG(8, 8))
		x := make([]float32, 6*rate)
		for i := range x {
			x[i] = float32(rng.NormFloat64()) * 0.1
		}
		late := func(c int) (first, second int) { return 100 + 10*c, 400 + 17*c }
		block := make([]float32, step*channels)
		var f *Frame
		for at := 0; at < len(x); at += step {
			gain := float32(-0.7)
			if at >= 3*rate {
				gain = 0.7
			}
			for i := range step {
				block[i*channels] = x[at+i]
				for c := 1; c < channels; c++ {
					a, b := late(c)
					v := float32(0)
					if at+i >= b {
						v = 0.5*x[at+i-a] + 0.5*gain*x[at+i-b]
					}
					block[i*channels+c] = v + 0.003*float32(rng.NormFloat64())
				}
			}
			if said && at == 3*rate {
				l.Changed()
			}
			l.Feed(block)
			f = l.Frame()
		}
		for i := range f.Microphones {
			m := &f.Microphones[i]
			a, b := late(i + 1)
			if len(m.Arrivals) != 2 || m.Arrivals[0].Sign != 1 || m.Arrivals[1].Sign != 1 ||
				math.Abs(m.Arrivals[0].DelayMs-float64(a)/48) > 0.02 || math.Abs(m.Arrivals[1].DelayMs-float64(b)/48) > 0.02 {
				t.Errorf("said %v, microphone %d: %+v", said, i+1, m.Arrivals)
			}
			if m.Polarity.Sign < 0 {
				t.Errorf("said %v, microphone %d: polarity %s", said, i+1, m.Polarity.Word())
			}
		}
	}
}
