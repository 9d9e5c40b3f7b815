package watch

import (
	"testing"

	"plumbline/analyze/internal/golden"
)

// What a watch finds, thinks and measures on the way, through faults, harm that is none
// and their ends, is as before.
func TestUnchanged(t *testing.T) {
	type seen struct {
		AtS         float64
		Events      []Event
		Differences []Difference
		State       Change
		Sure        bool
		Celsius     float64
	}
	var all []seen
	for i, name := range []string{"pink", "band"} {
		h := newHall(rate, uint64(30+i))
		s := newSound(h, programmes(uint64(30 + i))[name], uint64(40+i))
		w := New(learn(t, s, i == 0))
		at := 0.
		play := func(seconds float64) {
			for until := at + seconds; at < until; {
				for next := at + 2; at < min(next, until); {
					x, y := s.next()
					w.Feed(x, y)
					at += float64(len(x)) / rate
				}
				x := seen{AtS: at, Events: w.Events(nil), Differences: w.Differences(nil), Celsius: w.TemperatureC()}
				x.State, x.Sure = w.State()
				all = append(all, x)
			}
		}
		play(8)
		s.set(h.a, gain(h.b, -1))
		play(10)
		s.set(h.a, h.b)
		w.Break()
		play(8)
		s.set(gain(h.a, 0.7), gain(h.b, 0.7))
		play(6)
		s.set(h.nudged(0.02, 5))
		play(6)
		s.set(h.a, h.b)
		h.warm(22)
		s.set(h.a, h.b)
		play(8)
	}
	golden.Check(t, "watched", all)
}
