package polarity_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// Random boxes (closed or vented, five crossovers, equalisers), rooms (direct
// sound 9 dB above to 3 dB below the rest, 0.3…1.8 s), programme and noise
// (10…40 dB): no verdict may be wrong, few may be missing, and no sound box may be
// called faulty. The truth is the simulation's own; that the crossovers are what
// the literature says is TestCrossovers' business.
func TestJudgeIsNeverWrong(t *testing.T) {
	n := 24
	if truth.Thorough {
		n = 1000
	}
	type outcome struct {
		v     polarity.Verdict
		right int
		case_ string
	}
	results := make([]outcome, n)
	truth.Trials(n, func(i int) {
		c := simulate(t, uint64(i), programme.RandomBox(programme.New(uint64(100000+i))), 4.9)
		results[i] = outcome{polarity.Judge(c.Spectra), c.Sign, c.String()}
	})
	wrong, undecided, accused := 0, 0, 0
	for _, r := range results {
		switch r.v.Sign {
		case 0:
			undecided++
		case -r.right:
			wrong++
			t.Errorf("wrong with confidence %.4f: %s: %s", r.v.Confidence, r.case_, r.v.Reason)
		}
		if strings.Contains(r.v.Reason, "reversed") {
			accused++
			t.Errorf("a sound box is accused: %s: %s", r.case_, r.v.Reason)
		}
	}
	share := 100 * float64(undecided) / float64(n)
	if share > 15 {
		t.Errorf("%.1f %% undecided", share)
	}
	truth.Claim(t, "polarity of random boxes in rooms on programme: 0 wrong in 1000, at most 15 % undecided", "own simulation; crossovers after Linkwitz 1976, Lipshitz and Vanderkooy 1983",
		fmt.Sprintf("%.0f wrong in %.0f, %.1f %% undecided, %.0f accused", float64(wrong), float64(n), share, float64(accused)), truth.AtMost(float64(wrong), "0"), truth.AtMost(share, "15"))
}

// A box of 24 dB an octave whose high-frequency driver is wired the wrong way
// round: the box is judged by its low-frequency driver and the fault is named.
func TestReversedHighDriverIsNamed(t *testing.T) {
	n := 8
	if truth.Thorough {
		n = 200
	}
	named, wrong := make([]bool, n), make([]string, n)
	truth.Trials(n, func(i int) {
		box := programme.RandomBox(programme.New(uint64(200000 + i)))
		box.Crossover, box.HighReversed = programme.LinkwitzRiley4, true
		c := simulate(t, uint64(i), box, 4.9)
		v := polarity.Judge(c.Spectra)
		named[i] = strings.Contains(v.Reason, "the high-frequency driver looks reversed")
		if v.Sign == -c.Sign {
			wrong[i] = c.String() + ": " + v.Reason
		}
	})
	count := 0
	for i := range named {
		if named[i] {
			count++
		}
		if wrong[i] != "" {
			t.Error("wrong: " + wrong[i])
		}
	}
	share := 100 * float64(count) / float64(n)
	if share < 80 {
		t.Errorf("named in %.0f %% only", share)
	}
	truth.Claim(t, "reversed high-frequency driver of a 24 dB/octave box, seen alone: box never judged wrong, fault named", "notch and turn at the crossover: values table of Linkwitz-Riley sums; own simulation",
		fmt.Sprintf("named in %.0f %% of %.0f", share, float64(n)))
}

// The trap: the highest peak of the impulse response of this box, a Linkwitz-Riley
// crossover of 12 dB an octave, is of the other sign than the wiring.
func TestHighestPeakIsNotTheWiring(t *testing.T) {
	box := programme.Box{LowHz: 60, LowOrder: 4, LowQ: 0.7, HighHz: 18000, Crossover: programme.LinkwitzRiley2, CrossoverHz: 1200}
	impulse := make([]float64, 8192)
	impulse[1000] = 1
	impulse = programme.Filter(impulse, 48000, box.Response)
	peak := 0.0
	for _, v := range impulse {
		if math.Abs(v) > math.Abs(peak) {
			peak = v
		}
	}
	if peak > 0 {
		t.Fatal("the example is no trap")
	}
	r := programme.New(5)
	x := programme.Pink(r, 48000, 5*48000)
	y := programme.AddNoise(r, programme.Delay(programme.Filter(x, 48000, box.Response), 48000, 0.0123), 30)
	v := polarity.Judge(measure(t, x, y, 48000))
	if v.Sign != 1 {
		t.Errorf("got %+v", v)
	}
	var named []polarity.Band
	for _, b := range v.Bands {
		if b.Sign != 0 {
			named = append(named, b)
		}
	}
	if len(named) != 2 || named[0].Sign != 1 || named[0].HighHz > 1200 || named[1].Sign != -1 || named[1].LowHz < 1200 {
		t.Errorf("bands %+v", v.Bands)
	}
}

func TestNothingToJudge(t *testing.T) {
	r := programme.New(1)
	x := programme.Pink(r, 48000, 3*48000)
	for name, y := range map[string][]float64{
		"silence":        make([]float64, len(x)),
		"unrelated":      programme.Pink(r, 48000, len(x)),
		"high band only": programme.Filter(x, 48000, func(f float64) complex128 { return complex(1/(1+math.Pow(1500/max(f, 1), 8)), 0) }),
	} {
		if name == "high band only" {
			programme.AddPinkNoise(r, 48000, y, 20)
		}
		v := polarity.Judge(measure(t, x, y, 48000))
		if v.Sign != 0 || v.Confidence != 0 || v.Reason == "" {
			t.Errorf("%s: got %+v", name, v)
		}
	}
}

// A delay that was set by hand and is off, or none at all, is found first.
func TestDelayOff(t *testing.T) {
	r := programme.New(2)
	x := programme.Pink(r, 48000, 5*48000)
	box := programme.Box{LowHz: 70, LowOrder: 2, LowQ: 0.7, HighHz: 16000}
	y := programme.Filter(x, 48000, func(f float64) complex128 { return -box.Response(f) })
	programme.AddNoise(r, y, 30)
	for _, off := range []float64{-0.008, -0.001, -1e-4, 3e-5, 2.5e-4, 0.004} {
		e, err := response.NewEstimator(response.Config{SampleRateHz: 48000, Averaging: response.Averaging{Mode: response.Infinite}})
		if err != nil {
			t.Fatal(err)
		}
		if err := e.SetDelay(0, off); err != nil {
			t.Fatal(err)
		}
		e.Feed(x, [][]float64{y})
		s := new(response.Spectra)
		e.Spectra(0, s)
		if v := polarity.Judge(s); v.Sign != -1 {
			t.Errorf("%g ms off: %+v", 1000*off, v)
		}
	}
}

// The all-pass sums of the crossovers: DC phase 0 or 180°, equal level, and the
// delay of the Linkwitz-Riley sum of 24 dB an octave at low frequencies,
// 2√2/(2π·fc) = 4.502 ms at 100 Hz (Lipshitz and Vanderkooy 1983; Linkwitz 1976).
func TestCrossovers(t *testing.T) {
	for name, c := range map[string]struct {
		kind  programme.Crossover
		phase float64 // at high frequencies re low ones, degrees
	}{
		"24 dB/octave":         {programme.LinkwitzRiley4, -360},
		"12 dB/octave":         {programme.LinkwitzRiley2, -180},
		"18 dB/octave":         {programme.Butterworth3, -360},
		"18 dB/octave, turned": {programme.Butterworth3Turned, -180},
	} {
		box := programme.Box{LowHz: 1e-9, LowOrder: 2, LowQ: 0.7, HighHz: 1e9, Crossover: c.kind, CrossoverHz: 100}
		phase, last := 0.0, 0.0
		for hz := 0.01; hz < 1e6; hz *= 1.01 {
			h := box.Response(hz)
			if m := math.Hypot(real(h), imag(h)); math.Abs(m-1) > 1e-6 {
				t.Errorf("%s: |H| = %g at %g Hz", name, m, hz)
				break
			}
			now := math.Atan2(imag(h), real(h))
			if hz > 0.01 {
				phase += math.Remainder(now-last, 2*math.Pi)
			}
			last = now
		}
		if d := phase * 180 / math.Pi; math.Abs(d-c.phase) > 0.1 {
			t.Errorf("%s: phase turns by %g°, want %g°", name, d, c.phase)
		}
		if c.kind == programme.LinkwitzRiley4 {
			h := box.Response(1)
			if ms := -math.Atan2(imag(h), real(h)) / (2 * math.Pi * 1) * 1000; math.Abs(ms-4.502) > 0.001 {
				t.Errorf("delay at low frequencies %g ms, want 4.502", ms)
			}
		}
	}
}

func TestJudgeIntoDoesNotAllocate(t *testing.T) {
	c := simulate(t, 0, programme.RandomBox(programme.New(9)), 2)
	var v polarity.Verdict
	polarity.JudgeInto(&v, c.Spectra)
	if n := testing.AllocsPerRun(20, func() { polarity.JudgeInto(&v, c.Spectra) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkJudge(b *testing.B) {
	c := simulate(b, 0, programme.RandomBox(programme.New(9)), 2)
	var v polarity.Verdict
	b.ReportAllocs()
	for b.Loop() {
		polarity.JudgeInto(&v, c.Spectra)
	}
}

// The delay of a long window is off by three milliseconds and is looked for, as live where
// a microphone is carried about.
func BenchmarkJudgeLongWindow(b *testing.B) {
	const rate = 48000.0
	r := programme.New(3)
	x := programme.Pink(r, rate, 4*rate)
	y := programme.AddPinkNoise(r, rate, programme.Delay(x, rate, 0.013), 30)
	e, err := response.NewEstimator(response.Config{SampleRateHz: rate, Window: 16384, Averaging: response.Averaging{Mode: response.Infinite}})
	if err != nil {
		b.Fatal(err)
	}
	if err := e.SetDelay(0, 0.01); err != nil {
		b.Fatal(err)
	}
	e.Feed(x, [][]float64{y})
	s := new(response.Spectra)
	e.Spectra(0, s)
	var v polarity.Verdict
	b.ReportAllocs()
	for b.Loop() {
		polarity.JudgeInto(&v, s)
	}
}
