package response

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"
)

func feedAll(e *Estimator, ref []float64, mics ...[]float64) { e.Feed(ref, mics) }

func spectra(e *Estimator, mic int) *Spectra {
	s := new(Spectra)
	e.Spectra(mic, s)
	return s
}

// difference is the largest of |ΔGxx|/Gxx, |ΔGyy|/Gyy and |ΔGxy|/sqrt(Gxx Gyy).
func difference(a, b *Spectra) float64 {
	worst := 0.0
	for i := range a.Gxx {
		worst = max(worst, math.Abs(a.Gxx[i]-b.Gxx[i])/b.Gxx[i], math.Abs(a.Gyy[i]-b.Gyy[i])/b.Gyy[i],
			cmplx.Abs(a.Gxy[i]-b.Gxy[i])/math.Sqrt(b.Gxx[i]*b.Gyy[i]))
		if math.IsNaN(a.Gxx[i] + a.Gyy[i] + real(a.Gxy[i])) {
			return math.NaN()
		}
	}
	return worst
}

func TestConfigErrors(t *testing.T) {
	for name, tc := range map[string]struct {
		cfg  Config
		word string
	}{
		"no rate":          {Config{}, "sample rate"},
		"33 microphones":   {Config{SampleRateHz: 48000, Microphones: 33}, "microphones"},
		"window of 1000":   {Config{SampleRateHz: 48000, Window: 1000}, "power of two"},
		"overlap of 1":     {Config{SampleRateHz: 48000, Overlap: 1}, "overlap"},
		"no time constant": {Config{SampleRateHz: 48000, Averaging: Averaging{TimeConstantS: -1}}, "time constant"},
		"no averages":      {Config{SampleRateHz: 48000, Averaging: Averaging{Mode: Count, Count: -1}}, "averages"},
	} {
		if _, err := NewEstimator(tc.cfg); err == nil || !strings.Contains(err.Error(), tc.word) {
			t.Errorf("%s: %v", name, err)
		}
	}
	e := newEstimator(t, Config{SampleRateHz: 48000})
	if e.SetDelay(1, 0) == nil || e.SetDelay(0, 2.1) == nil || e.SetDelay(0, math.NaN()) == nil {
		t.Error("a wrong delay was taken")
	}
}

// Many microphones in one pass are as good as one pass each, bit for bit but
// for the rounding that the pairs of a transform share; none waits for a farther
// one, and one may be farther than the reference's transforms are kept for.
func TestMicrophonesAreIndependent(t *testing.T) {
	const rate = 16000
	ref := whiteNoise(4*rate, 1)
	for _, window := range []int{0, 1024} {
		for count, step := range map[int]int{2: 100, 3: 100, 6: 4000} {
			e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Microphones: count})
			mics := make([][]float64, count)
			for m := range mics {
				mics[m] = mix(later(ref, step*m), whiteNoise(len(ref), uint64(m+2)), 0.3)
				if err := e.SetDelay(m, float64(step*m)/rate); err != nil {
					t.Fatal(err)
				}
			}
			feedAll(e, ref, mics...)
			for m := range mics {
				single := newEstimator(t, Config{SampleRateHz: rate, Window: window})
				if err := single.SetDelay(0, float64(step*m)/rate); err != nil {
					t.Fatal(err)
				}
				feedAll(single, ref, mics[m])
				if d := difference(spectra(e, m), spectra(single, 0)); !(d < 1e-9) {
					t.Errorf("window %d, microphone %d of %d: differs by %.2g", window, m, count, d)
				}
			}
		}
	}
}

// A restart makes the averages that those samples alone would have made, and
// touches no other microphone; without look back it begins now.
func TestRestart(t *testing.T) {
	const rate, change = 16000, 3 * 16000
	ref := whiteNoise(4*rate, 1)
	before, after := later(ref, 160), later(ref, 4800)
	mic := append(append([]float64(nil), before[:change]...), after[change:]...)
	for _, window := range []int{0, 1024} {
		cfg := Config{SampleRateHz: rate, Window: window, Microphones: 2, Averaging: Averaging{Mode: Infinite}, LookBackS: 0.5}
		e, other := newEstimator(t, cfg), newEstimator(t, cfg)
		for _, e := range []*Estimator{e, other} {
			for m := range 2 {
				if err := e.SetDelay(m, 0.01); err != nil {
					t.Fatal(err)
				}
			}
			now := change + rate*2/5
			feedAll(e, ref[:now], mic[:now], before[:now])
		}
		if err := e.SetDelaySince(0, 0.3, 0.4); err != nil {
			t.Fatal(err)
		}
		if d := difference(spectra(e, 1), spectra(other, 1)); d != 0 {
			t.Errorf("window %d: the other microphone differs by %.2g", window, d)
		}
		c := read(e, 0)
		points := 0
		for i, f := range c.FrequencyHz {
			if f < 100 {
				continue
			}
			points++
			if !(math.Abs(c.MagnitudeDB[i]) < 0.02) || math.Abs(c.PhaseDeg[i]) > 0.2 || c.Coherence[i] < 0.9999 {
				t.Errorf("window %d, %.0f Hz, 0.4 s after the change: %.3f dB, %.2f°, coherence %.4f", window, f, c.MagnitudeDB[i], c.PhaseDeg[i], c.Coherence[i])
				break
			}
		}
		if points == 0 {
			t.Fatal("nothing to look at")
		}
		if s := e.AveragedS(0); s < 0.3 || s > 0.4 {
			t.Errorf("window %d: %.2f s in the averages, want nearly 0.4", window, s)
		}
		e.Restart(0, 0)
		if s := e.AveragedS(0); s != 0 {
			t.Errorf("window %d: %.2f s in the averages after a restart without a past", window, s)
		}
		feedAll(e, ref[:rate/50], mic[:rate/50], before[:rate/50])
		if s := e.AveragedS(0); s != 0 {
			t.Errorf("window %d: samples from before a restart without a past count", window)
		}
	}
}

// A delay that follows a microphone by fractions of a sample up to a few
// samples keeps the averages, turned as if it had always been so; a jump drops
// this microphone's averages and no other's.
func TestChangeOfDelay(t *testing.T) {
	const rate = 48000
	ref := whiteNoise(8*rate, 1)
	mic := later(ref, 480)
	for _, window := range []int{0, 2048} {
		e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Microphones: 2, Averaging: Averaging{Mode: Infinite}})
		set := func(samples float64) {
			for m := range 2 {
				if m == 1 && samples != 480 {
					break
				}
				if err := e.SetDelay(m, samples/rate); err != nil {
					t.Fatal(err)
				}
			}
		}
		set(480)
		feedAll(e, ref, mic, mic)
		before := spectra(e, 0)
		for _, samples := range []float64{480.3, 484, 471.6, 480} {
			set(samples)
			s := spectra(e, 0)
			if s.AveragedS != before.AveragedS || s.DelayS != samples/rate {
				t.Errorf("window %d, %v samples: %.2f s averaged, want %.2f s", window, samples, s.AveragedS, before.AveragedS)
			}
			for i, f := range s.FrequencyHz {
				if f < 20 || f > 0.45*rate {
					continue
				}
				want := 2 * math.Pi * f * (samples - 480) / rate
				got := cmplx.Phase(s.Gxy[i] * cmplx.Rect(1, -want))
				// A triangle of f/48 on either side spans ±5° at most when the delay is
				// 8 samples off, and noise does not weigh its halves alike.
				if math.Abs(got) > 0.005 {
					t.Fatalf("window %d, %v samples, %.1f Hz: phase off by %.4f rad", window, samples, f, got)
				}
			}
		}
		if d := difference(spectra(e, 0), before); !(d < 1e-9) {
			t.Errorf("window %d: there and back differs by %.2g", window, d)
		}
		set(600)
		if a, b := e.AveragedS(0), e.AveragedS(1); a != 0 || b != before.AveragedS {
			t.Errorf("window %d: after a jump %.2f s and %.2f s are averaged, want 0 and %.2f s", window, a, b, before.AveragedS)
		}
		feedAll(e, ref, mic, mic)
		if a := e.AveragedS(0); a < 7 {
			t.Errorf("window %d: only %.2f s are averaged after a jump", window, a)
		}
	}
}

// No segment spans a gap: what lies on both sides is averaged as two recordings.
func TestBreak(t *testing.T) {
	const rate = 48000
	ref, mic := whiteNoise(8*rate, 1), whiteNoise(8*rate, 2)
	for _, window := range []int{0, 4096} {
		cfg := Config{SampleRateHz: rate, Window: window, Averaging: Averaging{Mode: Infinite}, EverySegment: true}
		one := newEstimator(t, cfg)
		feedAll(one, ref[:4*rate+17], mic[:4*rate+17])
		one.Break()
		feedAll(one, ref[4*rate+17:], mic[4*rate+17:])
		a, b := newEstimator(t, cfg), newEstimator(t, cfg)
		feedAll(a, ref[:4*rate+17], mic[:4*rate+17])
		at := one.bands[0].ceil(4*rate + 17)
		if window != 0 { // segments lie on multiples of the hop
			feedAll(b, ref[at:], mic[at:])
			if err := a.Merge(b); err != nil {
				t.Fatal(err)
			}
			if d := difference(spectra(one, 0), spectra(a, 0)); !(d < 1e-9) {
				t.Errorf("window %d: differs from two recordings by %.2g", window, d)
			}
			continue
		}
		whole := newEstimator(t, cfg)
		feedAll(whole, ref, mic)
		lost := whole.AveragedS(0) - one.AveragedS(0)
		if lost <= 0 || lost > 0.06 {
			t.Errorf("a gap cost %.3f s of the shortest window", lost)
		}
	}
}

// A recording cut into spans, whoever analyses them, is the whole recording.
func TestSpansMakeTheWhole(t *testing.T) {
	const rate = 8000
	defer func(n int64) { spanSamples = n }(spanSamples)
	spanSamples = 1 << 16
	ref := whiteNoise(30*rate+123, 1)
	for _, tc := range []struct {
		window  int
		overlap float64
		delayMs [2]float64
	}{
		{0, 0, [2]float64{0, 0}}, {0, 0, [2]float64{300.3, -200}},
		{1024, 0.75, [2]float64{0, 12.3}}, {512, 0.6, [2]float64{0, 0}}, {1 << 14, 0.9, [2]float64{500, 0}},
	} {
		cfg := Config{SampleRateHz: rate, Window: tc.window, Overlap: tc.overlap, Microphones: 2,
			Averaging: Averaging{Mode: Infinite}, EverySegment: true}
		mics := [][]float64{mix(later(ref, 7), whiteNoise(len(ref), 2), 0.5), mix(later(ref, 3), whiteNoise(len(ref), 3), 1)}
		made := func() *Estimator {
			e := newEstimator(t, cfg)
			for m, d := range tc.delayMs {
				if err := e.SetDelay(m, d/1000); err != nil {
					t.Fatal(err)
				}
			}
			return e
		}
		whole, total, worker := made(), made(), made()
		whole.Feed(ref, mics)
		spans := whole.Spans(int64(len(ref)))
		if len(spans) < 2 {
			t.Fatalf("window %d: %d spans", tc.window, len(spans))
		}
		for i := len(spans) - 1; i >= 0; i-- {
			s := spans[i]
			worker.Begin(s)
			for from := s.ReadFrom; from < s.ReadTo; from += 10007 {
				to := min(from+10007, s.ReadTo)
				worker.Feed(ref[from:to], [][]float64{mics[0][from:to], mics[1][from:to]})
			}
			if err := total.Merge(worker); err != nil {
				t.Fatal(err)
			}
		}
		for m := range mics {
			a, b := spectra(total, m), spectra(whole, m)
			if d := difference(a, b); !(d < 1e-9) {
				t.Errorf("window %d, delay %v ms: spans differ by %.2g", tc.window, tc.delayMs[m], d)
			}
			if a.AveragedS != b.AveragedS {
				t.Errorf("window %d: %v s in spans, %v s in one", tc.window, a.AveragedS, b.AveragedS)
			}
			for i := range a.EffectiveAverages {
				// Pairs of segments across a seam are not counted; these spans are short.
				if r := a.EffectiveAverages[i] / b.EffectiveAverages[i]; r < 1-1e-9 || r > 1.15 {
					t.Fatalf("window %d: %v averages, in one %v", tc.window, a.EffectiveAverages[i], b.EffectiveAverages[i])
				}
			}
		}
	}
}

func TestMergeRefuses(t *testing.T) {
	plain := Config{SampleRateHz: 48000, Averaging: Averaging{Mode: Infinite}}
	other, exponential := plain, plain
	other.Window = 1024
	exponential.Averaging.Mode = Exponential
	e := newEstimator(t, plain)
	late := newEstimator(t, plain)
	if err := late.SetDelay(0, 0.1); err != nil {
		t.Fatal(err)
	}
	for name, src := range map[string]*Estimator{
		"another window": newEstimator(t, other), "exponential averages": newEstimator(t, exponential), "another delay": late,
	} {
		if e.Merge(src) == nil {
			t.Errorf("%s: merged", name)
		}
	}
}

// Averages of each mode after so many segments, 0 % overlap: count them.
func TestAveraging(t *testing.T) {
	const rate, window = 48000, 256
	ref := whiteNoise(100*window, 1)
	run := func(a Averaging, segments int) float64 {
		e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Overlap: NoOverlap, Averaging: a})
		feedAll(e, ref[:segments*window], ref[:segments*window])
		return spectra(e, 0).EffectiveAverages[40]
	}
	hop := float64(window) / rate
	r := math.Exp(-0.1) // a time constant of ten hops
	for _, tc := range []struct {
		name     string
		a        Averaging
		segments int
		want     float64
	}{
		{"plain", Averaging{Mode: Infinite}, 100, 100},
		{"count, not full", Averaging{Mode: Count, Count: 20}, 20, 20},
		// From then on weights fall by 1−1/20: (1+r)/(1−r) in the end.
		{"count, long after", Averaging{Mode: Count, Count: 5}, 100, 9},
		{"exponential, long after", Averaging{TimeConstantS: 10 * hop}, 100, (1 + r) / (1 - r)},
		{"exponential, third segment", Averaging{TimeConstantS: 10 * hop}, 3,
			math.Pow(1+r+r*r, 2) / (1 + r*r + r*r*r*r)},
	} {
		// The Hann window's segments do not overlap, so each counts whole.
		if got := run(tc.a, tc.segments); math.Abs(got-tc.want) > 1e-3*tc.want {
			t.Errorf("%s: %.4f averages, want %.4f", tc.name, got, tc.want)
		}
	}
}

// Averaging can be switched while it runs, and Reset drops everything.
func TestSetAveragingAndReset(t *testing.T) {
	const rate = 48000
	ref := whiteNoise(20*rate, 1)
	e := newEstimator(t, Config{SampleRateHz: rate})
	feedAll(e, ref, ref)
	if s := e.AveragedS(0); math.Abs(s-2) > 0.05 {
		t.Errorf("%.2f s averaged, want the time constant of 2 s", s)
	}
	if err := e.SetAveraging(Averaging{Mode: Infinite}); err != nil {
		t.Fatal(err)
	}
	feedAll(e, ref, ref)
	if s := e.AveragedS(0); math.Abs(s-22) > 0.1 {
		t.Errorf("%.2f s averaged, want 22 s", s)
	}
	e.Reset()
	if s := spectra(e, 0); s.AveragedS != 0 || s.EffectiveAverages[100] != 0 {
		t.Error("Reset left something")
	}
	if e.SetAveraging(Averaging{Mode: 7}) == nil {
		t.Error("unknown averaging taken")
	}
}

func TestNoAllocation(t *testing.T) {
	const rate, block = 48000, 480
	for _, window := range []int{0, 4096} {
		e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Microphones: 3})
		if err := e.SetDelay(1, 0.3); err != nil {
			t.Fatal(err)
		}
		impulse, err := NewImpulse(ImpulseConfig{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		ref := whiteNoise(4*rate, 1)
		feedAll(e, ref, ref, ref, ref)
		mics := make([][]float64, 3)
		var s, smooth Spectra
		var c Curve
		out := make([]float64, impulse.Len())
		at, turn := 0, 0.0
		step := func() {
			part := ref[at%(3*rate):][:block]
			at += block
			turn = 0.00001 - turn
			for m := range mics {
				mics[m] = part
			}
			e.Feed(part, mics)
			if err := e.SetDelay(0, turn); err != nil {
				t.Fatal(err)
			}
			e.Spectra(1, &s)
			Smooth(&smooth, &s, 3)
			smooth.Curve(&c)
			impulse.Compute(out, &s)
			Progress(&s, 1, 100, 10000)
		}
		for range 150 { // until the tracks have grown to what they need
			step()
		}
		if n := testing.AllocsPerRun(150, step); n != 0 {
			t.Errorf("window %d: %v allocations a block", window, n)
		}
	}
}

// FuzzEstimator feeds any finite samples in any block lengths: results are
// finite or NaN, coherence within 0…1, intervals around the estimate.
func FuzzEstimator(f *testing.F) {
	f.Add([]byte("silence, noise and clicks"), uint16(0), 0.001)
	f.Add([]byte{0, 0, 0, 255, 128}, uint16(5), -0.2)
	f.Add([]byte{255}, uint16(9), 1.5)
	f.Fuzz(func(t *testing.T, data []byte, setting uint16, delayS float64) {
		if len(data) == 0 {
			return
		}
		cfg := Config{SampleRateHz: 8000, Averaging: Averaging{Mode: AveragingMode(setting % 3)}, EverySegment: setting&8 != 0}
		if setting&4 != 0 {
			cfg.Window = 16 << (setting >> 4 & 7)
		}
		e, err := NewEstimator(cfg)
		if err != nil {
			t.Fatal(err)
		}
		if err := e.SetDelay(0, delayS); err != nil {
			return
		}
		ref, mic := make([]float64, 4000), make([]float64, 4000)
		for round := range 8 {
			for i := range ref {
				a, b := data[(i+round)%len(data)], data[(i*7+3*round)%len(data)]
				ref[i] = math.Ldexp(float64(a)-127, -int(b%64))
				mic[i] = math.Ldexp(float64(b)-127, -int(a%64))
			}
			e.Feed(ref[:int(data[0])+round], [][]float64{mic[:int(data[0])+round]})
			e.Feed(ref, [][]float64{mic})
			if data[round%len(data)]&1 == 1 {
				e.Break()
			}
		}
		var s, smooth Spectra
		var c Curve
		e.Spectra(0, &s)
		Smooth(&smooth, &s, 1+int(setting%48))
		for _, v := range []*Spectra{&s, &smooth} {
			v.Curve(&c)
			for i, g := range c.Coherence {
				if g < 0 || g > 1 || math.IsInf(c.MagnitudeDB[i], 0) || c.EffectiveAverages[i] < 0 ||
					c.MagnitudeLowDB[i] > c.MagnitudeDB[i] || c.MagnitudeHighDB[i] < c.MagnitudeDB[i] {
					t.Fatalf("point %d: coherence %v, %v < %v < %v dB, %v averages", i, g,
						c.MagnitudeLowDB[i], c.MagnitudeDB[i], c.MagnitudeHighDB[i], c.EffectiveAverages[i])
				}
			}
		}
	})
}
