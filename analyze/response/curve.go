package response

// Curve fills dst from s; dst's slices are reused when they are long enough.
func (s *Spectra) Curve(dst *Curve) {}

// Smooth sets dst to src averaged over 1/fraction octave (fraction 1…48).
func Smooth(dst, src *Spectra, fraction int) {}

// Progress says how much (0…1) of the points in lowHz…highHz have a 95 %
// interval of ±targetDB or less, and how many seconds more will do for all of
// them at the coherence so far; +Inf when none will.
func Progress(s *Spectra, targetDB, lowHz, highHz float64) (done, remainingS float64) {
	return 0, 0
}

// ImpulseConfig sets up an Impulse.
type ImpulseConfig struct {
	SampleRateHz float64
	BeforeS      float64 // before the arrival; 0 is 0.01
	AfterS       float64 // after it; 0 is 0.04
}

// Impulse turns Spectra into impulse responses. It carries scratch: one per goroutine.
type Impulse struct{}

// NewImpulse plans it.
func NewImpulse(cfg ImpulseConfig) (*Impulse, error) { return &Impulse{}, nil }

// Len is the number of samples Compute yields.
func (p *Impulse) Len() int { return 0 }

// Compute sets dst (nil allocates) to the impulse response around the arrival
// that the reference was delayed to. dst[k] lies at startMs + k·stepMs after
// the reference.
func (p *Impulse) Compute(dst []float64, s *Spectra) (out []float64, startMs, stepMs float64) {
	return dst, 0, 0
}
