package signal

import (
	"fmt"
	"math"
	"slices"
)

// Kind names a test signal.
type Kind string

// The test signals.
const (
	Pink        Kind = "pink"  // Gaussian noise of equal power an octave
	White       Kind = "white" // Gaussian noise of equal power a hertz
	Sine        Kind = "sine"
	Octave      Kind = "octave"       // noise of one octave band, of equal power a hertz within it
	ThirdOctave Kind = "third-octave" // the same of a third octave
	Sweep       Kind = "sweep"        // exponential, see Chirp
	Pulse       Kind = "pulse"        // single cycles of a sine, the positive half first: polarity by ear and eye
)

// Kinds are all of them.
var Kinds = []Kind{Pink, White, Sine, Octave, ThirdOctave, Sweep, Pulse}

// Config says what to make. The zero value is pink noise at −20 dBFS.
type Config struct {
	Kind         Kind    // empty: Pink
	SampleRateHz int     // 8000…768000; 0: 48000
	LevelDBFS    float64 // RMS where a full-scale sine wave is 0 (AES17), −120 to below 0; 0: −20. Of Pulse: its peak re full scale
	Seed         uint64  // equal seeds, equal noise
	RampS        float64 // raised-cosine fade from silence, 0…60; 0: 0.5. Not of Pulse; of Sweep see Chirp.Played
	LengthS      float64 // silent from there on, and faded before as at the beginning; 0: endless
	FrequencyHz  float64 // Sine: 1 to below half the sample rate, 0: 997 (AES17). Pulse: the same, 0: 200. Octave, ThirdOctave: the band it lies in; 0: 1000
	LowHz        float64 // Sweep: where it begins; 0: 20
	HighHz       float64 // Sweep: where it ends, up to half the sample rate; 0: 20000
	DurationS    float64 // Sweep: length, 0.1…120; 0: 5
	// PeriodS: begins again after it, up to 600; 0: a sweep comes once, a pulse every
	// second, noise never. Noise of a period has lines of the exact power alone, at
	// multiples of 1/PeriodS: a window of one period sees no leakage.
	PeriodS float64
}

// Generator makes one test signal, sample after sample. It does not depend on
// how it is divided into blocks. Not for two goroutines.
type Generator struct {
	next   func() float64
	gain   float64
	ramp   float64 // samples
	length float64 // samples; 0: endless
	n      float64 // samples made
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
	g.length = math.Round(cfg.LengthS * rate)
	if g.length > 0 {
		g.ramp = min(g.ramp, g.length/2)
	}
	switch cfg.Kind {
	case Pink, White, Octave, ThirdOctave:
		g.next = cfg.noise()
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
		at := -1
		g.next = func() float64 {
			at = (at + 1) % period
			if turn := cfg.FrequencyHz * float64(at) / rate; turn < 1 {
				return math.Sin(2 * math.Pi * turn)
			}
			return 0
		}
	}
	return g, nil
}

// Band is where the signal has its power: for a sine wave twice its frequency, for
// a pulse where its spectrum is less than 10 dB below its highest.
func (c Config) Band() (lowHz, highHz float64) {
	c = c.withDefaults()
	half := float64(c.SampleRateHz) / 2
	switch c.Kind {
	case Octave, ThirdOctave:
		return c.band()
	case Sweep:
		return c.LowHz, c.HighHz
	case Sine:
		return c.FrequencyHz, c.FrequencyHz
	case Pulse: // |sin(πu)/(1−u²)|, u = f/FrequencyHz, is 1.61 at most; √0.1 of it at these
		return 0.168 * c.FrequencyHz, min(1.650*c.FrequencyHz, half)
	case Pink:
		if c.PeriodS > 0 {
			return pinkFirstLineHz, half
		}
		return pinkLowestHz, half
	}
	return 0, half
}

// Fill writes the next samples.
func (g *Generator) Fill(dst []float64) {
	for i := range dst {
		v := g.gain * g.next()
		if g.n < g.ramp {
			v *= (1 - math.Cos(math.Pi*g.n/g.ramp)) / 2
		}
		if g.length > 0 {
			if left := g.length - g.n; left <= 0 {
				v = 0
			} else if left < g.ramp {
				v *= (1 - math.Cos(math.Pi*left/g.ramp)) / 2
			}
		}
		g.n++
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
	switch c.Kind {
	case Pulse:
		fill(&c.FrequencyHz, 200)
	case Octave, ThirdOctave:
		fill(&c.FrequencyHz, 1000)
	default:
		fill(&c.FrequencyHz, 997)
	}
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
	case !slices.Contains(Kinds, c.Kind):
		return fmt.Errorf("kind is %q: choose pink, white, sine, octave, third-octave, sweep or pulse", c.Kind)
	case c.SampleRateHz < 8000 || c.SampleRateHz > 768000:
		return fmt.Errorf("sample rate is %d Hz: choose 8000…768000", c.SampleRateHz)
	case !(c.LevelDBFS >= -120 && c.LevelDBFS < 0):
		return fmt.Errorf("level is %g dBFS: choose −120 to below 0", c.LevelDBFS)
	case !(c.RampS >= 0 && c.RampS <= 60):
		return fmt.Errorf("ramp is %g s: choose 0…60", c.RampS)
	case !(c.LengthS >= 0 && c.LengthS <= 24*3600):
		return fmt.Errorf("length is %g s: choose up to 86400, or 0 for endless", c.LengthS)
	case (c.Kind == Sine || c.Kind == Pulse) && !(c.FrequencyHz >= 1 && c.FrequencyHz < half):
		return fmt.Errorf("frequency is %g Hz: choose 1 to below %g", c.FrequencyHz, half)
	case c.Kind == Sweep && !(c.LowHz >= 1 && c.LowHz < c.HighHz && c.HighHz <= half):
		return fmt.Errorf("sweep is from %g to %g Hz: choose from 1 Hz upward to at most %g", c.LowHz, c.HighHz, half)
	case c.Kind == Sweep && !(c.DurationS >= 0.1 && c.DurationS <= 120):
		return fmt.Errorf("sweep lasts %g s: choose 0.1…120", c.DurationS)
	case c.Kind == Sweep && c.PeriodS != 0 && !(c.PeriodS >= c.DurationS && c.PeriodS <= 600):
		return fmt.Errorf("period is %g s: choose %g (the sweep) to 600, or 0 for once", c.PeriodS, c.DurationS)
	case c.Kind == Pulse && !(c.PeriodS >= 0.01 && c.PeriodS <= 600 && c.PeriodS >= 1/c.FrequencyHz):
		return fmt.Errorf("period is %g s: choose %g…600", c.PeriodS, max(0.01, 1/c.FrequencyHz))
	case c.Kind == Octave || c.Kind == ThirdOctave:
		if !(c.FrequencyHz >= 16 && c.FrequencyHz < half) { // also of a band that would have no end
			return fmt.Errorf("frequency is %g Hz: choose 16 to below %g", c.FrequencyHz, half)
		}
		if _, high := c.band(); high > 0.98*half {
			return fmt.Errorf("the band at %g Hz ends at %.0f Hz, above what %d Hz can hold: choose a lower one", c.FrequencyHz, high, c.SampleRateHz)
		}
	}
	if noise := c.Kind != Sine && c.Kind != Sweep && c.Kind != Pulse; noise && c.PeriodS != 0 && !(c.PeriodS >= 0.1 && c.PeriodS <= 60) {
		return fmt.Errorf("period is %g s: choose 0.1…60, or 0 for none", c.PeriodS)
	}
	return nil
}
