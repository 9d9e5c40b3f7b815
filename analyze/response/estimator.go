package response

// MaxMicrophones is how many microphones one Estimator takes.
const MaxMicrophones = 32

// NoOverlap is the Config.Overlap of windows that do not overlap.
const NoOverlap = -1

// The range of SetDelay, seconds.
const (
	MinDelayS = -0.5
	MaxDelayS = 2.0
)

// AveragingMode is how segments are weighted.
type AveragingMode int

// The averagings.
const (
	Exponential AveragingMode = iota // by TimeConstantS
	Count                            // plain mean of Count segments, from then on each new one weighs 1/Count
	Infinite                         // plain mean of all
)

// Averaging is how segments are averaged.
type Averaging struct {
	Mode          AveragingMode
	TimeConstantS float64 // Exponential; 0 is 2 s
	Count         int     // Count; 0 is 32
}

// Config sets up an Estimator.
type Config struct {
	SampleRateHz float64 // 8000…192000
	Microphones  int     // 1…32; 0 is 1
	Window       int     // samples, a power of two 16…2^20; 0 is multi-resolution
	Overlap      float64 // 0…<1, or NoOverlap; 0 is 0.75
	Averaging    Averaging
	// EverySegment counts every whole segment and bin, as scipy.signal.welch
	// does. Otherwise bins without reference energy and disturbed segments are
	// left out.
	EverySegment bool
}

// Estimator averages the spectra of one reference and its microphones.
// Not for two goroutines at once.
type Estimator struct{}

// NewEstimator checks cfg.
func NewEstimator(cfg Config) (*Estimator, error) { return &Estimator{}, nil }

// FrequencyHz is the grid; not to be changed.
func (e *Estimator) FrequencyHz() []float64 { return nil }

// Feed takes the next samples: ref and each of mics (one a microphone) of equal
// length, any length.
func (e *Estimator) Feed(ref []float64, mics [][]float64) {}

// Break says that the next samples do not follow on the last ones.
func (e *Estimator) Break() {}

// Reset drops all averages, not the delays.
func (e *Estimator) Reset() {}

// SetDelay sets by how much the reference is delayed for one microphone (from
// 0); MinDelayS…MaxDelayS. A change of less than a few samples keeps the
// averages, a larger one drops those of this microphone.
func (e *Estimator) SetDelay(mic int, seconds float64) error { return nil }

// DelayS is what SetDelay set.
func (e *Estimator) DelayS(mic int) float64 { return 0 }

// SetAveraging changes the weighting from now on.
func (e *Estimator) SetAveraging(a Averaging) error { return nil }

// Spectra fills dst with the averages of one microphone.
func (e *Estimator) Spectra(mic int, dst *Spectra) {}

// AveragedS is the time in the averages of one microphone, seconds.
func (e *Estimator) AveragedS(mic int) float64 { return 0 }

// Bursts is how many disturbances were left out of one microphone's averages since Reset.
func (e *Estimator) Bursts(mic int) uint64 { return 0 }

// Span is a stretch of a recording that can be analysed by itself: the samples
// ReadFrom ≤ i < ReadTo are fed, the segments that start in From ≤ i < To count.
type Span struct{ From, To, ReadFrom, ReadTo int64 }

// Spans cuts a recording of that many frames into stretches that together
// count every whole segment once, with today's delays.
func (e *Estimator) Spans(frames int64) []Span { return nil }

// Begin resets and prepares to be fed the samples of one Span.
func (e *Estimator) Begin(s Span) {}

// Merge adds the averages of src, an Estimator of the same Config and delays.
func (e *Estimator) Merge(src *Estimator) error { return nil }
