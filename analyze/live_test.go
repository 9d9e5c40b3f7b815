package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/setting"
)

const rate = 48000

// rig48 makes interleaved white noise on channel 0 and copies of it on the
// others, channel c being c·step samples late and of the sign given.
func rig48(seed uint64, frames, channels, step int, sign float32) []float32 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float32, frames)
	for i := range x {
		x[i] = float32(rng.NormFloat64()) * 0.1
	}
	out := make([]float32, frames*channels)
	for i := range frames {
		out[i*channels] = x[i]
		for c := 1; c < channels; c++ {
			if d := c * step; i >= d {
				out[i*channels+c] = sign * 0.5 * x[i-d]
			}
		}
	}
	return out
}

func newLive(t testing.TB, channels int, choose ...func(*setting.Settings)) *Live {
	t.Helper()
	var microphones []int
	for c := 2; c <= channels; c++ {
		microphones = append(microphones, c)
	}
	s := setting.Default(1, microphones)
	for _, change := range choose {
		change(&s)
	}
	l, err := NewLive(LiveConfig{SampleRateHz: rate, Channels: channels, HistoryS: 10, Settings: s})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// run feeds at the pace of 20 frames a second and returns the last frame.
func run(l *Live, audio []float32, channels int) *Frame {
	var f *Frame
	for block := rate / 20 * channels; len(audio) >= block; audio = audio[block:] {
		l.Feed(audio[:block])
		f = l.Frame()
	}
	return f
}

// at is the index of the grid point nearest to hz.
func at(freq []float64, hz float64) int {
	best := 0
	for i, f := range freq {
		if math.Abs(f-hz) < math.Abs(freq[best]-hz) {
			best = i
		}
	}
	return best
}

func TestHalfAsLoud480SamplesLateReversed(t *testing.T) {
	l := newLive(t, 2)
	f := run(l, rig48(1, 8*rate, 2, 480, -1), 2)
	m := &f.Microphones[0]
	if math.Abs(m.DelayMs-10) > 0.001 {
		t.Errorf("delay %.5f ms (%s), want 10", m.DelayMs, m.DelayReason)
	}
	if m.Polarity.Sign != -1 {
		t.Errorf("polarity %s (%s), want opposite", m.Polarity.Word(), m.Polarity.Reason)
	}
	for _, hz := range []float64{50, 100, 315, 1000, 4000, 16000} {
		i := at(m.Curve.FrequencyHz, hz)
		// A clean path has no random error: what is left is the window's.
		if d := m.Curve.MagnitudeDB[i] - 20*math.Log10(0.5); math.Abs(d) > 0.05 {
			t.Errorf("%g Hz: magnitude off by %.3f dB", hz, d)
		}
		if math.Abs(math.Abs(m.Curve.PhaseDeg[i])-180) > 0.5 {
			t.Errorf("%g Hz: phase %.2f°, want ±180", hz, m.Curve.PhaseDeg[i])
		}
		if m.Curve.Coherence[i] < 0.999 {
			t.Errorf("%g Hz: coherence %.4f", hz, m.Curve.Coherence[i])
		}
	}
	if len(m.Arrivals) != 1 || m.Arrivals[0].Sign != -1 {
		t.Errorf("arrivals %+v, want one, opposite", m.Arrivals)
	}
	peak := 0
	for i, v := range m.Impulse {
		if math.Abs(v) > math.Abs(m.Impulse[peak]) {
			peak = i
		}
	}
	if ms := m.ImpulseStartMs + float64(peak)*m.ImpulseStepMs; math.Abs(ms-10) > 0.03 || m.Impulse[peak] > 0 {
		t.Errorf("impulse peaks at %.3f ms with %.2f, want 10 ms, negative", ms, m.Impulse[peak])
	}
	// A Gaussian of 0.1 rms: AES17 adds 3.01 dB to the rms re full scale.
	if d := f.Reference.RMSDBFS - (-20 + 3.01); math.Abs(d) > 0.3 {
		t.Errorf("reference %.2f dBFS rms, want −16.99", f.Reference.RMSDBFS)
	}
}

func TestSilenceAndUnrelatedChannelsInventNothing(t *testing.T) {
	noise := rig48(2, 8*rate, 2, 0, 1)
	rng := rand.New(rand.NewPCG(9, 9))
	for i := 1; i < len(noise); i += 2 {
		noise[i] = float32(rng.NormFloat64()) * 0.1
	}
	for name, audio := range map[string][]float32{"silence": make([]float32, 2*8*rate), "unrelated": noise} {
		f := run(newLive(t, 2), audio, 2)
		m := &f.Microphones[0]
		if !math.IsNaN(m.DelayMs) || m.DelayReason == "" || len(m.Arrivals) != 0 || m.Polarity.Sign != 0 {
			t.Errorf("%s: delay %v (%q), %d arrivals, polarity %s", name, m.DelayMs, m.DelayReason, len(m.Arrivals), m.Polarity.Word())
		}
	}
}

func TestFixedDelayHoldAndReset(t *testing.T) {
	audio := rig48(3, 4*rate, 2, 240, 1)
	l := newLive(t, 2, func(s *setting.Settings) { s.Delay[0].Mode, s.Delay[0].Ms = setting.DelayFixed, 4 })
	f := run(l, audio, 2)
	m := &f.Microphones[0]
	if m.DelayMs != 4 || !m.DelayFixed {
		t.Errorf("delay %v, want the 4 ms that were set", m.DelayMs)
	}
	// 1 ms too little turns the phase by −360° a kilohertz: −90° at 250 Hz.
	if p := m.Curve.PhaseDeg[at(m.Curve.FrequencyHz, 250)]; math.Abs(p+90) > 3 {
		t.Errorf("phase at 250 Hz is %.1f°, want −90", p)
	}
	s := l.Settings()
	s.Hold = true
	if err := l.Set(s); err != nil {
		t.Fatal(err)
	}
	before := f.AveragedS
	if f = run(l, audio[:rate], 2); f.AveragedS != before || !f.Hold {
		t.Errorf("held, but %.2f s became %.2f s", before, f.AveragedS)
	}
	l.Reset()
	if f = l.Frame(); f.AveragedS != 0 {
		t.Errorf("%.2f s after a reset", f.AveragedS)
	}
}

func TestMeasuresUntilSureThenHolds(t *testing.T) {
	l := newLive(t, 2, func(s *setting.Settings) {
		s.Averaging.Mode, s.Averaging.WithinDB, s.Averaging.LowHz = setting.AverageUntil, 0.5, 200
	})
	audio := rig48(4, 20*rate, 2, 48, 1)
	rng := rand.New(rand.NewPCG(5, 5))
	for i := 1; i < len(audio); i += 2 {
		audio[i] += float32(rng.NormFloat64()) * 0.02
	}
	f := run(l, audio, 2)
	if !f.Hold || f.UntilDone != 1 {
		t.Fatalf("not sure after 20 s: %.0f %% done, %.1f s to go", 100*f.UntilDone, f.UntilRemainingS)
	}
	c := &f.Microphones[0].Curve
	points, wide := 0, 0
	for i, hz := range c.FrequencyHz {
		if hz < 200 || hz > 8000 {
			continue
		}
		points++
		if (c.MagnitudeHighDB[i]-c.MagnitudeLowDB[i])/2 > 0.5 {
			wide++
		}
	}
	// One point in twenty may be a notch that no averaging fills.
	if wide*20 > points {
		t.Errorf("%d of %d points are wider than ±0.5 dB", wide, points)
	}
}

// The path grows by 28 ms, 120 ms and 1.4 s, and back, in white noise 20 dB over
// the microphone's own. Half a second later the delay is right and the curve is
// the new one wherever its window has been heard since: from 35 Hz on, said or
// not; below, where the window takes 0.7 s and a hop, nothing is shown or it is
// right. The second microphone stays where it is and loses nothing.
func TestJumpOfThePathIsFollowedWithinHalfASecond(t *testing.T) {
	const part, channels = 2*rate + 1111, 3
	delays := []int{576, 1920, 576 + 120*48, 576, 1440*48 + 576, 480}
	for _, said := range []bool{true, false} {
		l := newLive(t, channels)
		rng := rand.New(rand.NewPCG(21, 1))
		x := make([]float32, part*len(delays))
		for i := range x {
			x[i] = float32(rng.NormFloat64()) * 0.1
		}
		audio := make([]float32, channels*len(x))
		for i := range x {
			gain := 0.5 + 0.5*float32(i/part%2) // 6 dB up and down with each jump
			audio[channels*i] = x[i]
			for c, d := range []int{delays[i/part], 240} {
				if i >= d {
					audio[channels*i+c+1] = gain*x[i-d] + 0.05*float32(rng.NormFloat64())*0.1
				}
				gain = 1
			}
		}
		const step = rate / 20
		for at := 0; at+step <= len(x); at += step {
			i := (at + step - 1) / part
			if edge := i * part; said && at < edge {
				l.Feed(audio[at*channels : edge*channels])
				l.Changed()
				l.Feed(audio[edge*channels : (at+step)*channels])
			} else {
				l.Feed(audio[at*channels : (at+step)*channels])
			}
			f := l.Frame()
			since := float64(at+step-i*part) / rate
			if since < 0.45 {
				continue
			}
			m, jump := &f.Microphones[0], fmt.Sprintf("said %v, jump to %.0f ms, after %.2f s", said, float64(delays[i])/48, since)
			if !(math.Abs(m.DelayMs-float64(delays[i])/48) < 0.02) {
				t.Errorf("%s: delay %.2f ms %s", jump, m.DelayMs, m.DelayReason)
			}
			if other := &f.Microphones[1]; !(math.Abs(other.DelayMs-5) < 0.01) {
				t.Errorf("%s: the other microphone's delay is %.3f ms", jump, other.DelayMs)
			}
			if since > 0.5 || i == 0 {
				continue
			}
			want := 20 * math.Log10(0.5+0.5*float64(i%2))
			points, outside := 0, 0
			for k, hz := range m.Curve.FrequencyHz {
				c := &m.Curve
				if math.IsNaN(c.MagnitudeDB[k]) {
					if hz > 36 {
						t.Errorf("%s: nothing at %.0f Hz", jump, hz)
					}
					continue
				}
				points++
				// The phase is that re the delay that is shown.
				turn := 360 * hz / 1000 * (m.DelayMs - float64(delays[i])/48)
				if want < c.MagnitudeLowDB[k] || want > c.MagnitudeHighDB[k] || math.Abs(c.PhaseDeg[k]-turn) > c.PhaseErrorDeg[k] {
					outside++
				}
				if off := math.Abs(c.MagnitudeDB[k] - want); hz > 1000 && off > 1 {
					t.Errorf("%s: off by %.2f dB at %.0f Hz", jump, off, hz)
				}
			}
			t.Logf("%s: %d of %d points outside", jump, outside, points)
			// The intervals are of 95 %, for either, and neighbours stray together.
			if points == 0 || outside*5 > points {
				t.Errorf("%s: the new response is outside the interval at %d of %d points", jump, outside, points)
			}
		}
	}
}

func TestSteadyStateDoesNotAllocate(t *testing.T) {
	const channels = 3
	audio := rig48(6, 6*rate, channels, 100, 1)
	l := newLive(t, channels, func(s *setting.Settings) { s.Smoothing = 6 })
	run(l, audio, channels)
	block := audio[:rate/20*channels]
	if n := testing.AllocsPerRun(100, func() {
		l.Feed(block)
		l.Frame()
	}); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func TestBadSettingsLeaveTheOldOnes(t *testing.T) {
	l := newLive(t, 3, func(s *setting.Settings) { s.Smoothing = 12 })
	for _, change := range []func(*setting.Settings){
		func(s *setting.Settings) { s.Smoothing = 49 },
		func(s *setting.Settings) { s.Window = 1000 },
		func(s *setting.Settings) { s.Delay[1].Mode, s.Delay[1].Ms = setting.DelayFixed, 5000 },
		func(s *setting.Settings) { s.Averaging.LowHz = 9000 },
		func(s *setting.Settings) { s.Microphones = s.Microphones[:1]; s.Settle() }, // another Live's
	} {
		s := l.Settings().Clone()
		s.Smoothing = 6
		change(&s)
		if err := l.Set(s); err == nil {
			t.Errorf("%+v: no error", s)
		}
		if got := l.Settings(); got.Smoothing != 12 || len(got.Delay) != 2 || got.Delay[1].Ms != 0 {
			t.Fatalf("%+v: came into force", s)
		}
	}
	refused := setting.Default(1, []int{4})
	if _, err := NewLive(LiveConfig{SampleRateHz: rate, Channels: 2, Settings: refused}); err == nil {
		t.Error("a microphone that the source has not is taken")
	}
}

func TestHistoryKeepsTheNewestAndKnowsItsGaps(t *testing.T) {
	h := NewHistory(2, 8)
	for i := range 11 {
		h.Write([]float32{float32(i), float32(-i)})
		if i == 6 {
			h.Gap(3)
		}
	}
	if got := fmt.Sprint(h.Last(nil, 1, 5)); got != "[-6 -7 -8 -9 -10]" {
		t.Errorf("last five: %s", got)
	}
	if h.End() != 14 || h.Frames() != 8 || h.Unbroken() != 4 {
		t.Errorf("end %d, %d frames, %d unbroken; want 14, 8, 4", h.End(), h.Frames(), h.Unbroken())
	}
	if got := fmt.Sprint(h.Interleaved(nil, 2)); got != "[9 -9 10 -10]" {
		t.Errorf("interleaved: %s", got)
	}
	// Frames 0…6, three lost, frames 10…13; the first three are not held any more.
	for sample, want := range map[uint64]int{14: 0, 12: 2, 10: 4, 9: 4, 7: 4, 6: 5, 3: 8, 0: 8} {
		if n := h.Since(sample); n != want {
			t.Errorf("%d frames since %d, want %d", n, sample, want)
		}
	}
	h.Write(make([]float32, 2*20))
	if h.End() != 34 || h.Frames() != 8 {
		t.Errorf("after a block longer than it: end %d, %d frames", h.End(), h.Frames())
	}
}

// BenchmarkLive is one second of audio in blocks of 1/20 s, with its 20 frames:
// %core is the share of one core that the live analysis takes.
func BenchmarkLive(b *testing.B) {
	for _, mics := range []int{1, 32} {
		b.Run(fmt.Sprintf("microphones=%d", mics), func(b *testing.B) {
			channels := mics + 1
			audio := rig48(7, 4*rate, channels, 20, 1)
			l := newLive(b, channels)
			run(l, audio, channels)
			block := rate / 20 * channels
			at, n := 0, 0
			b.ReportAllocs()
			for b.Loop() {
				for range 20 {
					if at+block > len(audio) {
						at = 0
					}
					l.Feed(audio[at : at+block])
					at += block
					l.Frame()
				}
				n++
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(n)*100, "%core")
		})
	}
}
