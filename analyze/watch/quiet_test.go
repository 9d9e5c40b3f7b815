package watch

import (
	"math"
	"testing"
)

// The room's noise is found by octave while programme plays 12 and 27 dB above it: what
// is added is known, and measured by itself. Where it is 42 dB below, reverberation of
// more than 0.7 s is left in it; less than the noise is never found. The estimate of n
// segments spreads by 1/√n over many bins: 1 dB holds for the 40 s of this baseline.
func TestFindsTheNoiseUnderTheProgramme(t *testing.T) {
	for _, db := range []float64{0, -15, -30} {
		s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
		s.gain *= math.Pow(10, db/20)
		b := learn(t, s, false)
		s.set(gain(s.hall.a, 0), gain(s.hall.b, 0))
		ref, mic := s.record(30)
		seg := newSegments(rate, b.lead)
		sum, n := make([]float64, len(b.quiet)), 0.0
		for len(ref) > 0 {
			k, whole := seg.feed(ref, mic)
			ref, mic = ref[k:], mic[k:]
			if !whole {
				continue
			}
			n++
			for o := range sum {
				for k := b.octaves[o]; k < b.octaves[o+1]; k++ {
					sum[o] += abs2(seg.Y[k])
				}
			}
		}
		for o, q := range b.quiet {
			off := 10 * math.Log10(q/(sum[o]/n))
			if off < -1 || db > -30 && off > 1 {
				t.Errorf("noise %+.0f dB, octave %d: off by %.2f dB", db, o, off)
			}
		}
	}
}

// A microphone that still hears the room is alive: all that plays is silent. One that
// hears 20 dB less than the room's noise is dead, or the noise was none: not for sure.
// One that delivers zeros is dead.
func TestASilentStageIsNoDeadInput(t *testing.T) {
	s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
	s.gain *= math.Pow(10, -22./20) // 34 dB under the programme
	calm := s.gain
	b := learn(t, s, true)
	for _, c := range []struct {
		gain       float64
		kind, back Kind
		sure       bool
	}{{1, Lost, Restored, true}, {0.1, InputLost, InputBack, false}, {0, InputLost, InputBack, true}} {
		w := New(b)
		if e := hear(w, s, 6); len(e) > 0 {
			t.Fatalf("calm: %+v", e)
		}
		s.set(gain(s.hall.a, 0), gain(s.hall.b, 0))
		s.gain = c.gain * calm
		if e := hear(w, s, 10); len(e) != 1 || e[0].Kind != c.kind || e[0].What != "" || e[0].Confidence > 0.95 != c.sure {
			t.Errorf("all silent, noise times %g: %+v; %s", c.gain, e, w.dump())
		}
		if e := hear(w, s, 30); len(e) > 0 {
			t.Errorf("still silent, noise times %g: %+v", c.gain, e)
		}
		s.set(s.hall.a, s.hall.b)
		s.gain = calm
		if e := hear(w, s, 10); len(e) != 1 || e[0].Kind != c.back {
			t.Errorf("back, noise times %g: %+v", c.gain, e)
		}
		if _, ok := w.State(); !ok {
			t.Errorf("noise times %g: not as the baseline", c.gain)
		}
	}
}

// A change that ends together with one of the air, as when a door is closed: back at
// the baseline, all of it is over.
func TestAChangeEndsInOtherAir(t *testing.T) {
	h := newHall(rate, 1)
	s := newSound(h, programmes(5)["pink"], 2)
	w := New(learn(t, s, true))
	s.set(h.a, gain(h.b, -1))
	if e := hear(w, s, 10); len(e) != 1 || e[0].Kind != Flipped {
		t.Fatalf("flipped: %+v", e)
	}
	h.warm(23)
	s.set(h.a, gain(h.b, -1))
	if e := hear(w, s, 20); len(e) > 0 {
		t.Fatalf("3 K warmer: %+v", e)
	}
	h.warm(20)
	s.set(h.a, h.b)
	if e := hear(w, s, 15); len(e) != 1 || e[0].Kind != Restored {
		t.Fatalf("both over: %+v", e)
	}
	if _, ok := w.State(); !ok || math.Abs(w.TemperatureC()-20) > 0.1 {
		t.Errorf("as the baseline %v, at %.2f °C", ok, w.TemperatureC())
	}
}
