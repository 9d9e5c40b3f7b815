// Package setting is what an operator chooses for the analysis, and the one place
// that says which values there are. Flags, patches over the wire and the analysis
// itself all ask here, and all refuse in the same words.
package setting

import (
	"slices"
	"strconv"
)

// Settings are what an operator chooses, the same for everybody. The tags are the
// names that requests and refusals use.
type Settings struct {
	Reference    int       `json:"reference"`   // channel, from 1
	Microphones  []int     `json:"microphones"` // channels from 1, ascending
	Window       Window    `json:"window"`
	Averaging    Averaging `json:"averaging"`
	Smoothing    int       `json:"smoothing"` // 1/n octave, 1…48; 48 is as fine as the grid
	Delay        []Delay   `json:"delay"`     // one a microphone; of one that is missing it is found
	Hold         bool      `json:"hold"`      // keep the averages as they are
	TemperatureC float64   `json:"temperature_c"`
}

// Window is the length of a fixed analysis window in samples, a power of two; 0 is
// multi-resolution, in JSON "multi".
type Window int

// The modes of averaging.
const (
	AverageTime     = "time"     // exponential, time constant Seconds
	AverageCount    = "count"    // exponential, worth Count averages
	AverageInfinite = "infinite" // plain, since the last reset
	AverageUntil    = "until"    // plain, until the interval is narrow enough, then held
)

// Averaging says how spectra are averaged. Every field keeps its value while
// another mode is on. The goal of AverageUntil is a 95 % interval of ±WithinDB or
// less at 95 % of the points of LowHz…HighHz: a notch that no averaging fills must
// not hold up the rest.
type Averaging struct {
	Mode     string  `json:"mode"`
	Seconds  float64 `json:"seconds"`
	Count    int     `json:"count"`
	WithinDB float64 `json:"within_db"`
	LowHz    float64 `json:"low_hz"`
	HighHz   float64 `json:"high_hz"`
}

// The modes of delay compensation.
const (
	DelayAuto  = "auto"  // found and followed
	DelayFixed = "fixed" // by the operator
)

// Delay is how the reference is delayed for one microphone.
type Delay struct {
	Microphone int     `json:"microphone"` // channel
	Mode       string  `json:"mode"`
	Ms         float64 `json:"ms"` // used when fixed
}

// Fixed says that the operator has set it.
func (d Delay) Fixed() bool { return d.Mode == DelayFixed }

// Default are the settings nobody has touched.
func Default(reference int, microphones []int) Settings {
	s := Settings{
		Reference:    reference,
		Microphones:  slices.Clone(microphones),
		Averaging:    Averaging{Mode: AverageTime, Seconds: 2, Count: 32, WithinDB: 1, LowHz: 63, HighHz: 8000},
		Smoothing:    MaxSmoothing,
		TemperatureC: 20,
	}
	s.Settle()
	return s
}

// Clone shares nothing with s.
func (s Settings) Clone() Settings {
	s.Microphones = slices.Clone(s.Microphones)
	s.Delay = slices.Clone(s.Delay)
	return s
}

// Settle keeps one Delay for each microphone, in their order.
func (s *Settings) Settle() {
	delay := make([]Delay, len(s.Microphones))
	for i, m := range s.Microphones {
		delay[i] = s.DelayOf(m)
	}
	s.Delay = delay
}

// DelayOf is that of a microphone, by its channel.
func (s *Settings) DelayOf(microphone int) Delay {
	for _, d := range s.Delay {
		if d.Microphone == microphone {
			return d
		}
	}
	return Delay{Microphone: microphone, Mode: DelayAuto}
}

// MarshalJSON writes "multi" or the number of samples.
func (w Window) MarshalJSON() ([]byte, error) {
	if w == 0 {
		return []byte(`"multi"`), nil
	}
	return strconv.AppendInt(nil, int64(w), 10), nil
}

// UnmarshalJSON reads what MarshalJSON writes; the error is an *Error.
func (w *Window) UnmarshalJSON(b []byte) error {
	if string(b) == `"multi"` {
		*w = 0
		return nil
	}
	n, err := strconv.Atoi(string(b))
	if err != nil || n == 0 {
		return &Error{"window", string(b), wantWindow}
	}
	*w = Window(n)
	return nil
}
