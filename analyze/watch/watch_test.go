package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

const rate = 48000

func programmes(seed uint64) map[string]programme {
	rng := rand.New(rand.NewPCG(seed, 11))
	return map[string]programme{"pink": pink(rng), "band": band(rate, rng), "talk": talk(rate, rng)}
}

// gated are loudspeakers known by their arrivals only.
func gated() []Loudspeaker {
	return []Loudspeaker{{Name: "main", DelayS: 0.0152}, {Name: "fill", DelayS: 0.0226}}
}

func TestFindsEachFault(t *testing.T) {
	for _, alone := range []bool{true, false} {
		for name := range programmes(0) {
			for _, fault := range []struct {
				name    string
				kind    Kind
				what    string
				seconds float64
				make    func(h *hall) (a, b []float64)
			}{
				{"fill flipped", Flipped, "fill", 10, func(h *hall) (a, b []float64) { return h.a, gain(h.b, -1) }},
				{"3 dB less", LevelChanged, "", 5, func(h *hall) (a, b []float64) { return gain(h.a, 0.7079), gain(h.b, 0.7079) }},
				{"main's high frequencies gone", BandLost, "main", 10, func(h *hall) (a, b []float64) { return lowpass(h.a, 1600), h.b }},
				{"fill moved by 0.5 ms", Moved, "fill", 10, func(h *hall) (a, b []float64) { return h.a, shift(h.b, 24) }},
				{"main lost", Lost, "main", 10, func(h *hall) (a, b []float64) { return gain(h.a, 0), h.b }},
			} {
				t.Run(fmt.Sprintf("alone=%v/%s/%s", alone, name, fault.name), func(t *testing.T) {
					h := newHall(rate, 1)
					s := newSound(h, programmes(5)[name], 2)
					ref, mic := s.record(40)
					speakers := gated()
					if alone {
						s.set(h.a, gain(h.b, 0))
						speakers[0].Ref, speakers[0].Mic = s.record(20)
						s.set(gain(h.a, 0), h.b)
						speakers[1].Ref, speakers[1].Mic = s.record(20)
						s.set(h.a, h.b)
					}
					b, err := Learn(Config{SampleRateHz: rate}, ref, mic, speakers)
					if err != nil {
						t.Fatal(err)
					}
					w := New(b)
					feed := func(seconds float64, stop func() bool) {
						for n := 0; float64(n) < seconds*rate; {
							x, y := s.next()
							w.Feed(x, y)
							n += len(x)
							if stop() {
								return
							}
						}
					}
					var events []Event
					look := func() bool { events = w.Events(events); return len(events) > 0 }
					feed(60, look)
					if len(events) > 0 {
						t.Fatalf("false alarm: %+v", events)
					}
					start := w.sample
					s.set(fault.make(h))
					feed(30, look)
					if len(events) == 0 {
						t.Fatalf("not found in 30 s; %s", w.dump())
					}
					e := events[0]
					took := float64(e.Sample-start) / rate
					t.Logf("%.1f s: %s %s %g dB %g ms %.0f–%.0f Hz (%.3f)", took, e.Kind, e.What, e.ChangeDB, e.ShiftMs, e.LowHz, e.HighHz, e.Confidence)
					if e.Kind != fault.kind || fault.what != "" && e.What != fault.what {
						t.Errorf("found %s %s", e.Kind, e.What)
					}
					if took > fault.seconds {
						t.Errorf("took %.1f s, want at most %.0f", took, fault.seconds)
					}
					s.set(h.a, h.b)
					events = nil
					feed(30, look)
					if len(events) == 0 || events[0].Kind != Restored {
						t.Errorf("repaired, but found %+v; %s", events, w.dump())
					}
				})
			}
		}
	}
}

func (w *Watch) dump() string {
	s := fmt.Sprintf("spread %.2f reverb %.3g noise %.3g temp %.2f;", w.b.spread, w.b.reverb, w.b.noise, w.TemperatureC())
	for _, t := range w.tests {
		if t.sum > 1 {
			s += fmt.Sprintf(" %s %s %g %g: %.1f;", t.Kind, t.What, t.ChangeDB, t.ShiftMs, t.sum)
		}
	}
	return s
}

func gain(h []float64, g float64) []float64 {
	out := make([]float64, len(h))
	for i, v := range h {
		out[i] = g * v
	}
	return out
}

func shift(h []float64, n int) []float64 {
	out := make([]float64, len(h))
	copy(out[n:], h)
	return out
}

// lowpass is four first-order sections forward, for a driver that is gone.
func lowpass(h []float64, hz float64) []float64 {
	out := append([]float64(nil), h...)
	a := 1 - math.Exp(-2*math.Pi*hz/rate)
	for range 4 {
		y := 0.0
		for i, v := range out {
			y += a * (v - y)
			out[i] = y
		}
	}
	return out
}
