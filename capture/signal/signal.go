package signal

import (
	"fmt"
	"math"
)

// Kind names a test signal.
type Kind string

// The test signals.
const (
	Pink  Kind = "pink"  // Gaussian noise of equal power an octave
	White Kind = "white" // Gaussian noise of equal power a hertz
	Sine  Kind = "sine"
	Sweep Kind = "sweep" // exponential, see Chirp
	Pulse Kind = "pulse" // single positive samples
)

// Config says what to make. The zero value is pink noise at −20 dBFS.
type Config struct {
	Kind         Kind    // empty: Pink
	SampleRateHz int     // 8000…768000; 0: 48000
	LevelDBFS    float64 // RMS where a full-scale sine wave is 0 (AES17), −120 to below 0; 0: −20. Of Pulse: its peak re full scale
	Seed         uint64  // equal seeds, equal noise
	RampS        float64 // raised-cosine fade from silence, 0…60; 0: 0.5. Sweep: at both ends, never over 10 ms
	FrequencyHz  float64 // Sine: 1 to below half the sample rate; 0: 997 (AES17)
	LowHz        float64 // Sweep: where it begins; 0: 20
	HighHz       float64 // Sweep: where it ends, up to half the sample rate; 0: 20000
	DurationS    float64 // Sweep: length, 0.1…120; 0: 5
	PeriodS      float64 // Sweep, Pulse: begins again after it, up to 600; 0: a sweep comes once, a pulse every second
}

// Generator makes one test signal, sample after sample. It does not depend on
// how it is divided into blocks. Not for two goroutines.
type Generator struct {
	next func() float64
	gain float64
	ramp float64 // samples
	n    float64 // samples made, until the ramp is over
}

// New checks the configuration and makes a generator. The error names the
// field and what is allowed.
func New(cfg Config) (*Generator, error) {
	cfg = cfg.withDefaults()
	if err := cfg.validate(); err != nil {
		return nil, err
	}
	rate := float64(cfg.SampleRateHz)
	g := &Generator{
		gain: math.Pow(10, cfg.LevelDBFS/20) / math.Sqrt2,
		ramp: cfg.RampS * rate,
	}
	switch cfg.Kind {
	case Pink:
		g.next = newPink(rate, cfg.Seed).next
	case White:
		g.next = newWhite(cfg.Seed).NormFloat64
	case Sine:
		phase, step := 0.0, cfg.FrequencyHz/rate
		g.next = func() float64 {
			y := math.Sqrt2 * math.Sin(2*math.Pi*phase)
			phase += step
			phase -= math.Floor(phase)
			return y
		}
	case Sweep:
		g.ramp = 0
		g.next = cfg.sweep()
	case Pulse:
		g.gain *= math.Sqrt2
		g.ramp = 0
		period := int(math.Round(cfg.PeriodS * rate))
		at := period - 1 // starts silent
		g.next = func() float64 {
			at = (at + 1) % period
			if at == period/2 {
				return 1
			}
			return 0
		}
	}
	return g, nil
}

// Fill writes the next samples.
func (g *Generator) Fill(dst []float64) {
	for i := range dst {
		v := g.gain * g.next()
		if g.n < g.ramp {
			v *= (1 - math.Cos(math.Pi*g.n/g.ramp)) / 2
			g.n++
		}
		dst[i] = v
	}
}

func (c Config) withDefaults() Config {
	fill := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	if c.Kind == "" {
		c.Kind = Pink
	}
	if c.SampleRateHz == 0 {
		c.SampleRateHz = 48000
	}
	fill(&c.LevelDBFS, -20)
	fill(&c.RampS, 0.5)
	fill(&c.FrequencyHz, 997)
	fill(&c.LowHz, 20)
	fill(&c.HighHz, 20000)
	fill(&c.DurationS, 5)
	if c.Kind == Pulse {
		fill(&c.PeriodS, 1)
	}
	return c
}

func (c Config) validate() error {
	half := float64(c.SampleRateHz) / 2
	switch {
	case c.Kind != Pink && c.Kind != White && c.Kind != Sine && c.Kind != Sweep && c.Kind != Pulse:
		return fmt.Errorf("kind is %q: choose pink, white, sine, sweep or pulse", c.Kind)
	case c.SampleRateHz < 8000 || c.SampleRateHz > 768000:
		return fmt.Errorf("sample rate is %d Hz: choose 8000…768000", c.SampleRateHz)
	case !(c.LevelDBFS >= -120 && c.LevelDBFS < 0):
		return fmt.Errorf("level is %g dBFS: choose −120 to below 0", c.LevelDBFS)
	case !(c.RampS >= 0 && c.RampS <= 60):
		return fmt.Errorf("ramp is %g s: choose 0…60", c.RampS)
	case c.Kind == Sine && !(c.FrequencyHz >= 1 && c.FrequencyHz < half):
		return fmt.Errorf("frequency is %g Hz: choose 1 to below %g", c.FrequencyHz, half)
	case c.Kind == Sweep && !(c.LowHz >= 1 && c.LowHz < c.HighHz && c.HighHz <= half):
		return fmt.Errorf("sweep is from %g to %g Hz: choose from 1 Hz upward to at most %g", c.LowHz, c.HighHz, half)
	case c.Kind == Sweep && !(c.DurationS >= 0.1 && c.DurationS <= 120):
		return fmt.Errorf("sweep lasts %g s: choose 0.1…120", c.DurationS)
	case c.Kind == Sweep && c.PeriodS != 0 && !(c.PeriodS >= c.DurationS && c.PeriodS <= 600):
		return fmt.Errorf("period is %g s: choose %g (the sweep) to 600, or 0 for once", c.PeriodS, c.DurationS)
	case c.Kind == Pulse && !(c.PeriodS >= 0.01 && c.PeriodS <= 600):
		return fmt.Errorf("period is %g s: choose 0.01…600", c.PeriodS)
	}
	return nil
}
