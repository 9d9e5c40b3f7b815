package response

import (
	"fmt"
	"math"

	"plumbline/analyze/fft"
)

// ImpulseConfig sets up an Impulse.
type ImpulseConfig struct {
	SampleRateHz float64 // of the spectra
	BeforeS      float64 // before the arrival; 0 is 0.01
	AfterS       float64 // after it; 0 is 0.04
}

// Impulse turns Spectra into impulse responses. It carries scratch: one per
// goroutine.
type Impulse struct {
	cfg           ImpulseConfig
	before, after int // samples
	plan          *fft.Real
	spectrum      []complex128
	response      []float64
}

// NewImpulse checks cfg and plans the transform.
func NewImpulse(cfg ImpulseConfig) (*Impulse, error) {
	if cfg.BeforeS == 0 {
		cfg.BeforeS = 0.01
	}
	if cfg.AfterS == 0 {
		cfg.AfterS = 0.04
	}
	if !(cfg.SampleRateHz >= 8000 && cfg.SampleRateHz <= 192000) {
		return nil, fmt.Errorf("sample rate %v Hz is not within 8000…192000 Hz", cfg.SampleRateHz)
	}
	if !(cfg.BeforeS > 0 && cfg.AfterS > 0 && cfg.BeforeS+cfg.AfterS <= 5) {
		return nil, fmt.Errorf("impulse response from %v s before to %v s after the arrival is not within 5 s", cfg.BeforeS, cfg.AfterS)
	}
	p := &Impulse{cfg: cfg}
	p.before = int(math.Round(cfg.BeforeS * cfg.SampleRateHz))
	p.after = int(math.Round(cfg.AfterS * cfg.SampleRateHz))
	size := 4
	for size < 2*(p.before+p.after) {
		size *= 2
	}
	p.resize(size)
	return p, nil
}

func (p *Impulse) resize(size int) {
	p.plan = fft.NewReal(size)
	p.spectrum = make([]complex128, size/2+1)
	p.response = make([]float64, size)
}

// Len is the number of samples Compute yields.
func (p *Impulse) Len() int { return p.before + p.after }

// edge is where the response begins to fade towards the top of the grid: a
// sharp edge would ring.
const edge = 0.8 // of the top

// Compute sets dst (nil allocates) to the impulse response around the arrival
// that the reference was delayed to: the inverse transform of H1, where
// unrelated channels would hardly reach the coherence, times the coherence,
// which leaves out what is only noise. dst[k] lies at startMs + k·stepMs after
// the reference. On the multi-resolution grid, H1 is interpolated; at high
// frequency it holds only the first milliseconds.
func (p *Impulse) Compute(dst []float64, s *Spectra) (out []float64, startMs, stepMs float64) {
	if dst == nil {
		dst = make([]float64, p.Len())
	}
	if s.Window > p.plan.Len() {
		p.resize(s.Window)
	}
	n := len(s.FrequencyHz)
	spacing := p.cfg.SampleRateHz / float64(p.plan.Len())
	clear(p.spectrum)
	i := 0
	for k := range p.spectrum {
		f := float64(k) * spacing
		for i+2 < n && s.FrequencyHz[i+1] <= f {
			i++
		}
		if n < 2 || f > s.FrequencyHz[n-1] {
			break
		}
		f0, f1 := s.FrequencyHz[i], s.FrequencyHz[i+1]
		h := s.weighted(i)
		if f > f0 {
			part := (f - f0) / (f1 - f0)
			h += complex(part, 0) * (s.weighted(i+1) - h)
		} else if f < f0 {
			h *= complex(f/f0, 0) // below the grid
		}
		if x := (f/s.FrequencyHz[n-1] - edge) / (1 - edge); x > 0 {
			h *= complex(0.5+0.5*math.Cos(math.Pi*x), 0)
		}
		p.spectrum[k] = h
	}
	p.plan.Inverse(p.response, p.spectrum)
	dst = dst[:p.Len()]
	copy(dst, p.response[len(p.response)-p.before:])
	copy(dst[p.before:], p.response[:p.after])
	stepMs = 1000 / p.cfg.SampleRateHz
	return dst, s.DelayS*1000 - float64(p.before)*stepMs, stepMs
}

// weighted is H times its coherence; 0 where it is not trusted.
func (s *Spectra) weighted(i int) complex128 {
	if !s.Trusted(i, FalseTrust) {
		return 0
	}
	return s.H(i) * complex(s.Coherence(i), 0)
}
