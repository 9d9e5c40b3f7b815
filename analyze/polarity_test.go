package analyze

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// Two loudspeakers that play together, block by block at the rate of frames: in no
// frame may the arrival that the polarity is about have another sign, and once five
// seconds are heard no sign may be that of neither.
func TestLiveTellsOnePolarity(t *testing.T) {
	told := 0
	for seed := range uint64(3) {
		s := programme.RandomScene(seed)
		x, y := s.Render(rate, 5)
		l := newLive(t, 2)
		block := make([]float32, 2*rate/20)
		for at := 0; at+rate/20 <= len(x); at += rate / 20 {
			for i := range rate / 20 {
				block[2*i], block[2*i+1] = float32(x[at+i]/20), float32(y[at+i]/20)
			}
			l.Feed(block)
			m := &l.Frame().Microphones[0]
			for _, a := range m.Arrivals {
				if math.Abs(a.DelayMs-m.Polarity.DelayMs) < 0.01 && a.Sign != m.Polarity.Sign {
					t.Fatalf("scene %d after %.2f s: arrival %+v, polarity %+v", seed, float64(at)/rate, a, m.Polarity)
				}
			}
		}
		p := l.Frame().Microphones[0].Polarity
		if p.Sign != 0 {
			told++
		}
		if p.Sign == -s.Main.Sign && (s.Kind == "sub" || p.Sign == -s.Partner.Sign) {
			t.Errorf("%v: %+v", s, p)
		}
	}
	if told == 0 {
		t.Error("none was told")
	}
}
