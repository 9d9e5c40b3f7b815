package arrival

import "fmt"

// Config of a Finder. The zero value of a field means its default.
type Config struct {
	SampleRateHz  float64 // required, 44100…192000
	MaxDelayS     float64 // longest delay looked for, default 1.5
	Max           int     // most arrivals reported, default 5
	TimeConstantS float64 // exponential forgetting, seconds; 0 averages all that was fed alike
	// Stagger, 0…1, shortens the first long block, so that the finders of several
	// microphones do their long transforms at different times: i/n for microphone i of n.
	Stagger float64
}

// Finder looks for the arrivals of a reference in one microphone.
type Finder struct {
	cfg Config
}

// NewFinder checks cfg and returns an empty finder.
func NewFinder(cfg Config) (*Finder, error) {
	if cfg.SampleRateHz < 44100 || cfg.SampleRateHz > 192000 {
		return nil, fmt.Errorf("sample rate %g Hz is outside 44100…192000 Hz", cfg.SampleRateHz)
	}
	return &Finder{cfg: cfg}, nil
}

// Feed takes the next samples of both channels; equal lengths, any size.
func (f *Finder) Feed(ref, mic []float64) {}

// Break says that samples are missing between the last Feed and the next.
func (f *Finder) Break() {}

// Reset forgets everything.
func (f *Finder) Reset() {}

// Find appends the arrivals in all that was fed to dst[:0], earliest first.
// When none can be told the list is empty and reason says why in one clause.
func (f *Finder) Find(dst []Arrival) (list []Arrival, reason string) {
	return dst[:0], "nothing was fed yet"
}
