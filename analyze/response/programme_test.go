package response

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
)

const programmeRate = 16000 // low, to be quick: window lengths follow time

// beats is programme like music with drums: noise, low frequencies stronger,
// that starts twice a second and dies away by 30 dB until the next beat.
func beats(seconds int, seed uint64) []float64 {
	x := lowPass(400, programmeRate).filter(whiteNoise(seconds*programmeRate, seed))
	treble := whiteNoise(seconds*programmeRate, seed+1)
	for i := range x {
		since := float64(i%(programmeRate/2)) / programmeRate
		x[i] = (x[i] + 0.2*treble[i]) * math.Pow(10, -30*since*2/20)
	}
	return x
}

// hall adds reverberation to x: noise that dies away in 1.2 s, as strong as the
// direct sound, by a feedback delay network of six lines.
func hall(x []float64) []float64 {
	lines := [6]int{479, 541, 617, 683, 751, 797}
	var memory [6][]float64
	for k, n := range lines {
		memory[k] = make([]float64, n)
	}
	y := make([]float64, len(x))
	for i, v := range x {
		sum := 0.0
		for k, n := range lines {
			sum += memory[k][i%n]
		}
		y[i] = v + 0.35*sum
		for k, n := range lines {
			m := &memory[k][i%n]
			decay := math.Pow(10, -3*float64(n)/programmeRate/1.2)
			*m = v + decay*(*m-sum/3) // a Householder reflection keeps the energy
		}
	}
	return y
}

func newEstimator(t testing.TB, cfg Config) *Estimator {
	t.Helper()
	e, err := NewEstimator(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// meanCoherence over 40 Hz…6 kHz.
func meanCoherence(c *Curve) float64 {
	sum, n := 0.0, 0.0
	for i, f := range c.FrequencyHz {
		if f >= 40 && f <= 6000 {
			sum += c.Coherence[i]
			n++
		}
	}
	return sum / n
}

func read(e *Estimator, mic int) *Curve {
	var s Spectra
	var c Curve
	e.Spectra(mic, &s)
	s.Curve(&c)
	return &c
}

// A dropped case and a shout, 30 dB above the noise, are left out and counted;
// what is left is as coherent as without them. Common practice, no source.
func TestBurstsAreLeftOut(t *testing.T) {
	const seconds = 40
	ref := whiteNoise(seconds*programmeRate, 20)
	calm := mix(ref, whiteNoise(seconds*programmeRate, 21), 0.3)
	r := rand.New(rand.NewPCG(1, 22))
	loud := append([]float64(nil), calm...)
	for _, at := range []float64{11, 17, 24, 30, 36} {
		length := 0.02 + 0.4*r.Float64()
		from := int(at * programmeRate)
		for i := from; i < from+int(length*programmeRate); i++ {
			loud[i] += 1.0 * r.NormFloat64() * math.Exp(-3*float64(i-from)/(length*programmeRate))
		}
	}
	for _, window := range []int{0, 2048} {
		e := newEstimator(t, Config{SampleRateHz: programmeRate, Microphones: 3, Window: window, Averaging: Averaging{Mode: Infinite}})
		e.Feed(ref, [][]float64{calm, loud, ref})
		every := newEstimator(t, Config{SampleRateHz: programmeRate, Window: window, Averaging: Averaging{Mode: Infinite}, EverySegment: true})
		every.Feed(ref, [][]float64{loud})
		want, got, poisoned := meanCoherence(read(e, 0)), meanCoherence(read(e, 1)), meanCoherence(read(every, 0))
		t.Logf("window %d: coherence %.4f calm, %.4f with bursts left out, %.4f with bursts; counted %d, %d, %d",
			window, want, got, poisoned, e.Bursts(0), e.Bursts(1), e.Bursts(2))
		if e.Bursts(0) != 0 || e.Bursts(2) != 0 {
			t.Errorf("window %d: %d and %d bursts where there are none", window, e.Bursts(0), e.Bursts(2))
		}
		if e.Bursts(1) != 5 {
			t.Errorf("window %d: %d bursts, want 5", window, e.Bursts(1))
		}
		if math.Abs(want-got) > 0.005 || poisoned > want-0.1 {
			t.Errorf("window %d: coherence %.4f calm, %.4f with bursts left out, %.4f with bursts", window, want, got, poisoned)
		}
		if window == 0 {
			truth.Claim(t, "five bursts 30 dB above the noise, coherence lost: 0.005", "common practice, no source",
				fmt.Sprintf("%.4f", math.Abs(want-got)), truth.AtMost(math.Abs(want-got), "0.005"))
		}
	}
}

// Loud beats in a reverberant hall are programme, not bursts.
func TestBeatsAreNoBursts(t *testing.T) {
	ref := beats(30, 30)
	mic := mix(hall(ref), whiteNoise(len(ref), 33), 0.003)
	e := newEstimator(t, Config{SampleRateHz: programmeRate, Microphones: 2, Averaging: Averaging{TimeConstantS: 4}})
	e.Feed(ref, [][]float64{mic, ref})
	if e.Bursts(0) != 0 || e.Bursts(1) != 0 {
		t.Errorf("%d and %d bursts in plain programme", e.Bursts(0), e.Bursts(1))
	}
}

// speech is syllables of noise of changing colour, 20 dB apart at most, with
// pauses.
func speech(seconds int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := whiteNoise(seconds*programmeRate, seed)
	for i := 0; i < len(x); {
		n := int((0.08 + 0.25*r.Float64()) * programmeRate)
		gain := math.Pow(10, -r.Float64())
		if r.IntN(6) == 0 {
			gain, n = 0, 5*n
		}
		syllable := lowPass(300+3000*r.Float64(), programmeRate).filter(x[i:min(len(x), i+n)])
		for k, v := range syllable {
			x[i+k] = v * gain * math.Sin(math.Pi*float64(k)/float64(n))
		}
		i += n
	}
	return x
}

// Nor is speech in the hall: in four minutes at most one is found by mistake,
// and hardly anything is left out.
func TestSpeechIsNoBurst(t *testing.T) {
	bursts := uint64(0)
	for seed := uint64(1); seed <= 4; seed++ {
		ref := speech(60, seed)
		mic := mix(hall(ref), whiteNoise(len(ref), seed+100), 0.001)
		e := newEstimator(t, Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: Infinite}})
		e.Feed(ref, [][]float64{mic})
		bursts += e.Bursts(0)
		if s := e.AveragedS(0); s < 0.98*60 {
			t.Errorf("only %.2f s of 60 s were averaged", s)
		}
	}
	if bursts > 1 {
		t.Errorf("%d bursts in four minutes of plain speech", bursts)
	}
}

// Noise that comes to stay, and a loudspeaker that is turned up, are no bursts:
// the averages follow.
func TestLastingChangeIsNoBurst(t *testing.T) {
	const seconds = 40
	ref := whiteNoise(seconds*programmeRate, 40)
	noise := whiteNoise(seconds*programmeRate, 41)
	noisy, louder := mix(ref, noise, 0.05), mix(ref, noise, 0.05)
	for i := 15 * programmeRate; i < len(ref); i++ {
		noisy[i] += noise[i]
		louder[i] *= 4
	}
	e := newEstimator(t, Config{SampleRateHz: programmeRate, Microphones: 2, Averaging: Averaging{TimeConstantS: 2}})
	e.Feed(ref, [][]float64{noisy, louder})
	if e.Bursts(0) != 0 || e.Bursts(1) != 0 {
		t.Errorf("%d and %d bursts counted for a lasting change", e.Bursts(0), e.Bursts(1))
	}
	c, d := read(e, 0), read(e, 1)
	i := nearest(c.FrequencyHz, 1000)
	if g := c.Coherence[i]; math.Abs(g-1/(1+1.05*1.05)) > 0.1 {
		t.Errorf("coherence %.3f, want that of the new noise", g)
	}
	if db := d.MagnitudeDB[i]; math.Abs(db-20*math.Log10(4)) > 0.5 {
		t.Errorf("magnitude %.2f dB, want that of the new gain", db)
	}
}

// A loudspeaker that is reversed, muted, switched on, moved or filtered is no
// burst: not one segment is left out, so that the curve follows at once.
func TestChangedLoudspeakerIsFollowed(t *testing.T) {
	const seconds, change = 14, 10
	ref := whiteNoise(seconds*programmeRate, 45)
	noise := whiteNoise(seconds*programmeRate, 46)
	speaker := through(box(programmeRate), ref)
	reversed := mix(make([]float64, len(ref)), speaker, -1)
	silent := make([]float64, len(ref))
	for name, tc := range map[string]struct{ before, after []float64 }{
		"reversed":         {speaker, reversed},
		"muted":            {speaker, silent},
		"switched on":      {silent, speaker},
		"moved by 0.5 ms":  {speaker, later(speaker, 8)},
		"moved by 5 ms":    {speaker, later(speaker, 80)},
		"high-pass in":     {speaker, highPass(800, programmeRate).filter(speaker)},
		"6 dB louder":      {speaker, mix(speaker, speaker, 1)},
		"a fill as well":   {speaker, mix(speaker, later(speaker, 117), -0.8)},
		"treble equalised": {speaker, peak(3000, 3, 2, programmeRate).filter(speaker)},
	} {
		mic := make([]float64, len(ref))
		for i := range mic {
			part := tc.before
			if i >= change*programmeRate {
				part = tc.after
			}
			mic[i] = part[i] + 0.1*noise[i]
		}
		e := newEstimator(t, Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: Infinite}})
		e.Feed(ref, [][]float64{mic})
		every := newEstimator(t, Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: Infinite}, EverySegment: true})
		every.Feed(ref, [][]float64{mic})
		if e.Bursts(0) != 0 {
			t.Errorf("%s: %d bursts", name, e.Bursts(0))
		}
		if lost := every.AveragedS(0) - e.AveragedS(0); lost > 0.1 {
			t.Errorf("%s: %.2f s were left out", name, lost)
		}
	}
}

// When the programme stops, whether to digital silence or to the dither of 16
// bits and the console's noise, the averages stay: the last second of programme
// is still there long after, with its coherence and averages.
func TestSilenceDoesNotDecay(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 50))
	for name, floor := range map[string]float64{"digital silence": 0, "16-bit dither": 1e-5, "console noise, −80 dB": 1e-4} {
		ref := whiteNoise(30*programmeRate, 51)
		mic := make([]float64, len(ref))
		stop := 12 * programmeRate
		for i := range ref {
			if i >= stop {
				ref[i] = floor * r.NormFloat64()
			}
			mic[i] = ref[i] + 0.02*r.NormFloat64()
		}
		mics := [][]float64{mic[:stop]}
		for _, mode := range []AveragingMode{Exponential, Infinite} {
			e := newEstimator(t, Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: mode}})
			e.Feed(ref[:stop], mics)
			before := read(e, 0)
			e.Feed(ref[stop:], [][]float64{mic[stop:]})
			after := read(e, 0)
			for i, f := range before.FrequencyHz {
				// Segments across the stop hold a part of the programme, and all of the
				// noise; the lines' last up to 2.7 s, longer than the time constant.
				if math.Abs(after.MagnitudeDB[i]-before.MagnitudeDB[i]) > 1 ||
					after.Coherence[i] < before.Coherence[i]-0.1 ||
					after.EffectiveAverages[i] < 0.5*before.EffectiveAverages[i] {
					t.Errorf("%s, averaging %d, %.0f Hz: %.2f dB, coherence %.3f, %.1f averages; before the stop %.2f, %.3f, %.1f", name, mode, f,
						after.MagnitudeDB[i], after.Coherence[i], after.EffectiveAverages[i],
						before.MagnitudeDB[i], before.Coherence[i], before.EffectiveAverages[i])
				}
			}
		}
	}
}

// A band that is silent in the reference now and then is averaged only when it
// is not: its coherence is that of the programme, and its averages are fewer.
func TestSilentBandIsLeftOut(t *testing.T) {
	const seconds = 40
	ref := whiteNoise(seconds*programmeRate, 60)
	low := ref
	for range 6 {
		low = lowPass(1000, programmeRate).filter(low)
	}
	for i := range ref {
		if i/(4*programmeRate)%2 == 1 {
			ref[i] = low[i] // four seconds of every eight there is no treble
		}
	}
	mic := mix(ref, whiteNoise(len(ref), 61), 0.1)
	cfg := Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: Infinite}}
	e := newEstimator(t, cfg)
	e.Feed(ref, [][]float64{mic})
	cfg.EverySegment = true
	every := newEstimator(t, cfg)
	every.Feed(ref, [][]float64{mic})
	c, d := read(e, 0), read(every, 0)
	i, j := nearest(c.FrequencyHz, 5000), nearest(c.FrequencyHz, 300)
	t.Logf("5 kHz: coherence %.4f, %.0f averages; with every segment %.4f, %.0f", c.Coherence[i], c.EffectiveAverages[i], d.Coherence[i], d.EffectiveAverages[i])
	// Segments of a second across both ends hold noise all the time and programme
	// for a part of it: up to five seconds of noise for four of programme.
	if low, high := 1/(1+0.01*5/4), 1/1.01; c.Coherence[i] < low || c.Coherence[i] > high+0.001 {
		t.Errorf("5 kHz: coherence %.4f, want %.4f…%.4f", c.Coherence[i], low, high)
	}
	if part := c.EffectiveAverages[i] / d.EffectiveAverages[i]; part < 0.48 || part > 5.0/8+0.02 {
		t.Errorf("5 kHz: %.2f of the averages, want half to five eighths", part)
	}
	if part := c.EffectiveAverages[j] / d.EffectiveAverages[j]; part < 0.98 {
		t.Errorf("300 Hz: %.2f of the averages, want all", part)
	}
}

// Silence and then programme: what was averaged of silence is dropped.
func TestProgrammeAfterSilence(t *testing.T) {
	ref := whiteNoise(20*programmeRate, 70)
	for i := range ref[:10*programmeRate] {
		ref[i] *= 1e-4
	}
	mic := mix(ref, whiteNoise(len(ref), 71), 0.1)
	e := newEstimator(t, Config{SampleRateHz: programmeRate, Averaging: Averaging{Mode: Infinite}})
	e.Feed(ref, [][]float64{mic})
	c := read(e, 0)
	for i, f := range c.FrequencyHz {
		if c.Coherence[i] < 0.97 {
			t.Errorf("%.0f Hz: coherence %.3f", f, c.Coherence[i])
		}
	}
}

// A dead channel is not −300 dB of rounding, but unknown.
func TestDeadMicrophoneIsUnknown(t *testing.T) {
	ref := whiteNoise(3*programmeRate, 81)
	for _, cfg := range []Config{{}, {Window: 1024}, {Window: 1024, EverySegment: true}} {
		cfg.SampleRateHz = programmeRate
		c := read(func() *Estimator {
			e := newEstimator(t, cfg)
			e.Feed(ref, [][]float64{make([]float64, len(ref))})
			return e
		}(), 0)
		for i := range c.FrequencyHz {
			if !math.IsNaN(c.MagnitudeDB[i]) || c.Coherence[i] != 0 || c.PhaseErrorDeg[i] != 180 {
				t.Fatalf("%v Hz: %v dB, coherence %v", c.FrequencyHz[i], c.MagnitudeDB[i], c.Coherence[i])
			}
		}
	}
}

// Exact zeros are unknown, not divided: NaN, and no averages.
func TestNoReferenceIsUnknown(t *testing.T) {
	e := newEstimator(t, Config{SampleRateHz: programmeRate, Microphones: 2})
	e.Feed(make([]float64, 5*programmeRate), [][]float64{whiteNoise(5*programmeRate, 80), make([]float64, 5*programmeRate)})
	for m := range 2 {
		c := read(e, m)
		for i := range c.FrequencyHz {
			if !math.IsNaN(c.MagnitudeDB[i]) || !math.IsNaN(c.Coherence[i]) || c.EffectiveAverages[i] != 0 || c.PhaseErrorDeg[i] != 180 {
				t.Fatalf("microphone %d, %v Hz: %v dB, coherence %v", m, c.FrequencyHz[i], c.MagnitudeDB[i], c.Coherence[i])
			}
		}
	}
}
