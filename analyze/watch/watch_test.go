package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

const rate = 48000

// programmes each have a random generator of their own: they may play in parallel.
func programmes(seed uint64) map[string]programme {
	rng := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
	return map[string]programme{"pink": pink(rng(11)), "band": band(rate, rng(12)), "talk": talk(rate, rng(13))}
}

// gated are loudspeakers known by their arrivals only.
func gated() []Loudspeaker {
	return []Loudspeaker{{Name: "main", DelayS: 0.0152}, {Name: "fill", DelayS: 0.0226}}
}

// learn makes a baseline of a sound, with each loudspeaker recorded alone or not.
func learn(t testing.TB, s *sound, alone bool) *Baseline {
	t.Helper()
	h := s.hall
	speakers := gated()
	if alone {
		s.set(h.a, gain(h.b, 0))
		speakers[0].Ref, speakers[0].Mic = s.record(20)
		s.set(gain(h.a, 0), h.b)
		speakers[1].Ref, speakers[1].Mic = s.record(20)
		s.set(h.a, h.b)
	}
	ref, mic := s.record(40)
	b, err := Learn(Config{SampleRateHz: h.rate}, ref, mic, speakers)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// hear feeds at most seconds of a sound and returns the first events.
func hear(w *Watch, s *sound, seconds float64) (events []Event) {
	for n := 0; float64(n) < seconds*s.hall.rate && len(events) == 0; {
		x, y := s.next()
		w.Feed(x, y)
		n += len(x)
		events = w.Events(events)
	}
	return events
}

// fault is something that goes wrong, and within how many seconds of programme
// it has to be found.
type fault struct {
	name    string
	kind    Kind
	what    string
	seconds float64
	make    func(h *hall) (a, b []float64)
}

var faults = []fault{
	{"fill flipped", Flipped, "fill", 10, func(h *hall) (a, b []float64) { return h.a, gain(h.b, -1) }},
	{"all 3 dB down", LevelChanged, "", 15, func(h *hall) (a, b []float64) { return gain(h.a, 0.7079), gain(h.b, 0.7079) }},
	{"main without its high-frequency driver", BandLost, "main", 10, func(h *hall) (a, b []float64) { return lowpass(h.a, 1600), h.b }},
	{"fill moved by 0.5 ms", Moved, "fill", 10, func(h *hall) (a, b []float64) { return h.a, shift(h.b, 24) }},
	{"main lost", Lost, "main", 10, func(h *hall) (a, b []float64) { return gain(h.a, 0), h.b }},
	{"fill lost", Lost, "fill", 10, func(h *hall) (a, b []float64) { return h.a, gain(h.b, 0) }},
	{"main flipped", Flipped, "main", 10, func(h *hall) (a, b []float64) { return gain(h.a, -1), h.b }},
	{"all flipped", Flipped, "", 10, func(h *hall) (a, b []float64) { return gain(h.a, -1), gain(h.b, -1) }},
	{"all 10 dB down", LevelChanged, "", 15, func(h *hall) (a, b []float64) { return gain(h.a, 0.3162), gain(h.b, 0.3162) }},
}

// TestFindsEachFaultAndItsRepair: a while of calm, then a fault, then its
// repair, in a hall with noise at 12 dB SNR. The whole set of programmes and of
// ways to know the loudspeakers runs with the days.
func TestFindsEachFaultAndItsRepair(t *testing.T) {
	slowest, calm := map[string]float64{}, 15.0
	if long() {
		calm = 60
	}
	for name := range programmes(0) {
		for _, alone := range []bool{true, false} {
			if !long() && (name != "band" || alone) {
				continue
			}
			var s *sound
			var b *Baseline
			for _, f := range faults {
				t.Run(fmt.Sprintf("%s/alone=%v/%s", name, alone, f.name), func(t *testing.T) {
					if b == nil || long() { // else one show in which all goes wrong, one by one
						s = newSound(newHall(rate, 1), programmes(5)[name], 2)
						b = learn(t, s, alone)
					}
					w := New(b)
					if e := hear(w, s, calm); len(e) > 0 {
						t.Fatalf("false alarm: %+v", e)
					}
					start := w.sample
					s.set(f.make(s.hall))
					found := hear(w, s, 30)
					if len(found) == 0 {
						t.Fatalf("not found in 30 s; %s", w.dump())
					}
					e := found[0]
					took := float64(e.Sample-start) / rate
					slowest[f.name] = math.Max(slowest[f.name], took)
					if took > f.seconds {
						t.Errorf("took %.1f s, want at most %.0f", took, f.seconds)
					}
					if e.Kind != f.kind || e.What != f.what {
						t.Errorf("found %q %q, %+v", e.Kind, e.What, e)
					}
					if alone && e.Confidence < 0.95 {
						t.Errorf("told with confidence %.2f only", e.Confidence)
					}
					s.set(s.hall.a, s.hall.b)
					if found = hear(w, s, 30); len(found) == 0 || found[0].Kind != Restored {
						t.Errorf("repaired, but found %+v; %s", found, w.dump())
					}
				})
			}
		}
	}
	for _, f := range faults {
		record(t, fmt.Sprintf("%s: found within %.0f s", f.name, f.seconds), fmt.Sprintf("%.1f s at most", slowest[f.name]), "simulated hall, 12 dB SNR")
	}
}

// How soon a level is found that changed depends on the moment: a rest of the programme
// tells nothing of it.
func TestLevelThatChangedIsFoundSoon(t *testing.T) {
	moments := 5
	if long() {
		moments = 24
	}
	s := newSound(newHall(rate, 1), programmes(5)["band"], 2)
	b := learn(t, s, false)
	for _, db := range []float64{-3, -10} {
		var took []float64
		for i := range moments {
			w := New(b)
			if e := hear(w, s, 8+float64(i%5)); len(e) > 0 {
				t.Fatalf("false alarm: %+v", e)
			}
			start, g := w.sample, math.Pow(10, db/20)
			s.set(gain(s.hall.a, g), gain(s.hall.b, g))
			if e := hear(w, s, 30); len(e) == 0 || e[0].Kind != LevelChanged {
				t.Errorf("%g dB, moment %d: %+v", db, i, e)
			}
			took = append(took, float64(w.sample-start)/rate)
			s.set(s.hall.a, s.hall.b)
		}
		slices.Sort(took)
		middle := took[len(took)/2]
		if middle > 5 {
			t.Errorf("%g dB: %.1f s in the middle, want 5 at most", db, middle)
		}
		record(t, fmt.Sprintf("all %g dB down, of %d moments of a show with rests: found within 5 s in the middle", -db, moments),
			fmt.Sprintf("%.1f s, %.1f s at most", middle, took[len(took)-1]), "simulated hall, 12 dB SNR")
	}
}

// What happens to a loudspeaker that is not known is nothing to be sure about.
func TestUnknownLoudspeakerIsNotSure(t *testing.T) {
	for name := range programmes(0) {
		if !long() && name != "pink" {
			continue
		}
		s := newSound(newHall(rate, 1), programmes(5)[name], 2)
		ref, mic := s.record(40)
		baselines := map[string]*Baseline{} // by what is not known
		for what, known := range map[string][]Loudspeaker{"fill": gated()[:1], "main": gated()[1:]} {
			b, err := Learn(Config{SampleRateHz: rate}, ref, mic, known)
			if err != nil {
				t.Fatal(err)
			}
			baselines[what] = b
		}
		for _, f := range faults {
			if f.what == "" {
				continue
			}
			s.set(s.hall.a, s.hall.b)
			w := New(baselines[f.what])
			if e := hear(w, s, 20); len(e) > 0 {
				t.Fatalf("false alarm: %+v", e)
			}
			s.set(f.make(s.hall))
			e := hear(w, s, 30)
			if len(e) == 0 {
				t.Fatalf("%s, %s: not found; %s", name, f.name, w.dump())
			}
			t.Logf("%s, %s: %q %q with confidence %.2f", name, f.name, e[0].Kind, e[0].What, e[0].Confidence)
			if e[0].Confidence >= 0.95 {
				t.Errorf("%s, %s, of which nothing is known: %+v", name, f.name, e[0])
			}
		}
	}
}

func TestNoiseThatRisesAndAnInputThatDies(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	calm := s.gain
	s.gain *= 6 // 15.6 dB more noise: half a minute of applause
	if e := hear(w, s, 15); len(e) != 1 || e[0].Kind != NoiseRose {
		t.Fatalf("15 dB more noise: %+v; %s", e, w.dump())
	}
	s.gain = calm
	if e := hear(w, s, 20); len(e) > 0 {
		t.Fatalf("noise gone again: %+v", e)
	}
	s.gain = 0
	s.set(gain(s.hall.a, 0), gain(s.hall.b, 0))
	if e := hear(w, s, 5); len(e) != 1 || e[0].Kind != InputLost {
		t.Fatalf("input dead: %+v", e)
	}
	s.gain = calm
	s.set(s.hall.a, s.hall.b)
	if e := hear(w, s, 5); len(e) != 1 || e[0].Kind != InputBack {
		t.Fatalf("input back: %+v", e)
	}
	if e := hear(w, s, 20); len(e) > 0 {
		t.Fatalf("all well again: %+v", e)
	}
}

func TestSaysByHowMuchEachBandDiffers(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	s.set(gain(s.hall.a, 0.8414), gain(s.hall.b, 0.8414)) // −1.5 dB
	hear(w, s, 20)
	in, all := 0, 0
	for _, d := range w.Differences(nil) {
		if math.IsNaN(d.DB) || d.LowHz < 80 {
			continue
		}
		all++
		if math.Abs(d.DB+1.5) <= d.ErrorDB {
			in++
		}
		if math.Abs(d.DB+1.5) > 1 {
			t.Errorf("%.0f–%.0f Hz: %.2f ± %.2f dB, want −1.5", d.LowHz, d.HighHz, d.DB, d.ErrorDB)
		}
	}
	if all < 20 || in < all*8/10 {
		t.Errorf("%d of %d intervals hold −1.5 dB", in, all)
	}
}

// A loudspeaker turned over moves its comb but hardly the level of a band.
func TestALoudspeakerTurnedOverIsNotSofter(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	s.set(s.hall.a, gain(s.hall.b, -1))
	hear(w, s, 20)
	for _, d := range w.Differences(nil) {
		// The comb's teeth are 135 Hz apart: from 1 kHz a third of an octave holds two.
		if d.LowHz > 1000 && !(math.Abs(d.DB) < 2) {
			t.Errorf("%.0f–%.0f Hz: %.1f ± %.1f dB", d.LowHz, d.HighHz, d.DB, d.ErrorDB)
		}
	}
}

func TestPausesAndBreaksAreNoFaults(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	play, silence := s.play, func(dst []float64) { clear(dst) }
	for range 4 {
		s.play = silence
		if e := hear(w, s, 5); len(e) > 0 {
			t.Fatalf("in a pause: %+v", e)
		}
		s.play = play
		if e := hear(w, s, 5); len(e) > 0 {
			t.Fatalf("after a pause: %+v", e)
		}
		s.next() // lost
		w.Break()
	}
}

func TestFindsTheTemperatureAfterALongPause(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	hear(w, s, 10)
	play := s.play
	s.play = func(dst []float64) { clear(dst) }
	hear(w, s, 90)
	s.hall.warm(21.5)
	s.set(s.hall.a, s.hall.b)
	s.play = play
	if e := hear(w, s, 30); len(e) > 0 {
		t.Fatalf("1.5 K warmer after the interval: %+v", e)
	}
	if c := w.TemperatureC(); math.Abs(c-21.5) > 0.1 {
		t.Errorf("%.2f °C, want 21.5", c)
	}
}

// Doors are opened: the air is another at once, which is followed and no event.
func TestFollowsAirThatChangesAtOnce(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, true))
	for _, celsius := range []float64{24.5, 20, 15} {
		s.hall.warm(celsius)
		s.set(s.hall.a, s.hall.b)
		if e := hear(w, s, 12); len(e) > 0 {
			t.Errorf("air of %g °C: %+v", celsius, e)
		}
		if c := w.TemperatureC(); math.Abs(c-celsius) > 0.1 {
			t.Errorf("%.2f °C, want %g", c, celsius)
		}
	}
}

// A nudged microphone is told as one; back at its place all is as before, and
// nothing is left of it.
func TestANudgedMicrophoneIsNobodysFault(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, true))
	for i, m := range []float64{0.02, 0.08} {
		s.set(s.hall.nudged(m, uint64(i)))
		e := hear(w, s, 12)
		if len(e) != 1 || e[0].Kind != Nudged || e[0].Harmless < 0.95 || e[0].Confidence >= 0.95 || e[0].ShiftMs > 1000*nudgeMost/343 {
			t.Errorf("moved by %g m: %+v", m, e)
		}
		s.set(s.hall.a, s.hall.b)
		if e = hear(w, s, 12); len(e) != 1 || e[0].Kind != Restored {
			t.Errorf("back from %g m: %+v", m, e)
		}
		for _, d := range w.Differences(nil) {
			if !(math.Abs(d.DB) < 0.5+d.ErrorDB) {
				t.Errorf("back from %g m: %.0f–%.0f Hz: %.1f dB", m, d.LowHz, d.HighHz, d.DB)
			}
		}
	}
}

// Two changes on top of each other end one by one, in any order.
func TestOneOfTwoChangesEnds(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, true))
	a, b := s.hall.nudged(0.04, 3)
	for _, step := range []struct {
		name string
		a, b []float64
		kind Kind
		what string
		left Kind
	}{
		{"nudged", a, b, Nudged, "", Nudged},
		{"and the fill turned over", a, gain(b, -1), Flipped, "fill", Flipped},
		{"the fill repaired", a, b, Restored, "fill", Nudged},
		{"turned over again", a, gain(b, -1), Flipped, "fill", Flipped},
		{"the microphone put back", s.hall.a, gain(s.hall.b, -1), Restored, "", Flipped},
		{"the fill repaired", s.hall.a, s.hall.b, Restored, "fill", ""},
	} {
		s.set(step.a, step.b)
		e := hear(w, s, 12)
		left, ok := w.State()
		t.Logf("%s: %+v; left %+v", step.name, e, left)
		if len(e) == 0 || e[0].Kind != step.kind || e[0].What != step.what || left.Kind != step.left || ok != (step.left == "") {
			t.Errorf("%s: found %+v, left %+v", step.name, e, left)
		}
	}
}

// Air that has warmed changes what is looked for, and nothing of what was found.
func TestRearmingKeepsTheEvidence(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	hear(w, s, 10)
	w.tests[3].sum, w.tests[3].onset = 7, 2
	before := slices.Clone(w.tests)
	w.climate.change += 0.5
	w.now, w.parts = w.climate.responses()
	w.rearm()
	if len(w.tests) != len(before) {
		t.Fatalf("%d tests, were %d", len(w.tests), len(before))
	}
	moved := false
	for i, now := range w.tests {
		was := before[i]
		moved = moved || !slices.Equal(now.d, was.d)
		if now.Change != was.Change {
			t.Errorf("test %d is of %+v, was of %+v", i, now.Change, was.Change)
		}
		now.hypothesis, was.hypothesis = hypothesis{}, hypothesis{}
		if !reflect.DeepEqual(now, was) {
			t.Errorf("test %d: %+v, was %+v", i, now, was)
		}
	}
	if !moved {
		t.Error("nothing has changed")
	}
}

func TestBaselinesThatCannotBe(t *testing.T) {
	x := make([]float64, 5*rate)
	if _, err := Learn(Config{SampleRateHz: rate}, x, x, gated()); err != ErrShort {
		t.Errorf("5 s: %v", err)
	}
	if _, err := Learn(Config{SampleRateHz: 8000}, x, x, gated()); err == nil {
		t.Error("8 kHz: no error")
	}
	if _, err := Learn(Config{SampleRateHz: rate}, x, x, nil); err == nil {
		t.Error("no loudspeaker: no error")
	}
	silence := make([]float64, 20*rate)
	if _, err := Learn(Config{SampleRateHz: rate}, silence, silence, gated()); err != ErrSilent {
		t.Errorf("silence: %v", err)
	}
}

// What one channel of a recording is longer than the other is left out.
func TestBaselineOfUnequalChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 13*rate)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for _, n := range [][2]int{{len(x), len(x) - rate/2}, {len(x) - rate/2, len(x)}} {
		if _, err := Learn(Config{SampleRateHz: rate}, x[:n[0]], x[:n[1]], []Loudspeaker{{Name: "main"}}); err != nil {
			t.Errorf("%d and %d samples: %v", n[0], n[1], err)
		}
	}
}

func TestSteadyStateDoesNotAllocate(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(t, s, false))
	hear(w, s, 10)
	if n := testing.AllocsPerRun(5, func() {
		x, y := s.next()
		w.Feed(x, y)
	}); n != 0 {
		t.Errorf("%v allocations a block", n)
	}
}

// BenchmarkWatch is one second of audio of one microphone with two loudspeakers.
func BenchmarkWatch(b *testing.B) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	w := New(learn(b, s, false))
	x, y := s.record(10)
	at := 0
	b.ReportAllocs()
	for b.Loop() {
		if at+rate > len(x) {
			at = 0
		}
		w.Feed(x[at:at+rate], y[at:at+rate])
		at += rate
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*100, "%core")
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
