package wire

import (
	"encoding/json"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
)

// Limits of what can be set.
const (
	MaxMicrophones = 32
	MinWindow      = 256    // samples
	MaxWindow      = 262144 // samples
	MaxDelayMs     = 1500
	MaxAveragingS  = 600
	MaxAverages    = 10000
	MinTempC       = -30
	MaxTempC       = 50
)

// Window is the length of a fixed analysis window in samples; 0 is
// multi-resolution, in JSON "multi".
type Window int

// MarshalJSON writes "multi" or the number of samples.
func (w Window) MarshalJSON() ([]byte, error) {
	if w == 0 {
		return []byte(`"multi"`), nil
	}
	return json.Marshal(int(w))
}

// UnmarshalJSON reads what MarshalJSON writes.
func (w *Window) UnmarshalJSON(b []byte) error {
	if string(b) == `"multi"` {
		*w = 0
		return nil
	}
	var n int
	if err := json.Unmarshal(b, &n); err != nil || n == 0 {
		return refuse("window", "window must be \"multi\" or a power of two from %d to %d", MinWindow, MaxWindow)
	}
	*w = Window(n)
	return nil
}

// The modes of averaging.
const (
	AverageTime     = "time"     // exponential, time constant Seconds
	AverageCount    = "count"    // exponential, worth Count averages
	AverageInfinite = "infinite" // plain, since the last reset
	AverageUntil    = "until"    // plain, until the interval is narrower than WithinDB over LowHz…HighHz, then held
)

// Averaging says how spectra are averaged. Every field keeps its value while
// another mode is on.
type Averaging struct {
	Mode     string  `json:"mode"`
	Seconds  float64 `json:"seconds"`   // 0.1…600
	Count    int     `json:"count"`     // 1…10000
	WithinDB float64 `json:"within_db"` // half width of the 95 % interval, 0.05…20 dB
	LowHz    float64 `json:"low_hz"`
	HighHz   float64 `json:"high_hz"`
}

// Delay is how the reference is delayed for one microphone.
type Delay struct {
	Microphone int     `json:"microphone"`
	Mode       string  `json:"mode"` // "auto" or "fixed"
	Ms         float64 `json:"ms"`   // 0…1500, used when fixed
}

// The modes of delay compensation.
const (
	DelayAuto  = "auto"
	DelayFixed = "fixed"
)

// Settings are what an operator chooses, the same for all clients.
type Settings struct {
	Reference    int       `json:"reference"`   // channel, from 1
	Microphones  []int     `json:"microphones"` // channels, ascending
	Window       Window    `json:"window"`
	Averaging    Averaging `json:"averaging"`
	Smoothing    int       `json:"smoothing"` // 1/n octave, 1…48; 48 is as fine as the grid
	Delay        []Delay   `json:"delay"`     // one a microphone, in their order
	Hold         bool      `json:"hold"`
	TemperatureC float64   `json:"temperature_c"` // of the air, for distances
}

// DefaultSettings are those of a daemon nobody has touched.
func DefaultSettings(reference int, microphones []int) Settings {
	s := Settings{
		Reference:    reference,
		Microphones:  slices.Clone(microphones),
		Averaging:    Averaging{Mode: AverageTime, Seconds: 2, Count: 32, WithinDB: 1, LowHz: 63, HighHz: 8000},
		Smoothing:    48,
		TemperatureC: 20,
	}
	s.settle()
	return s
}

// SettingsPatch is a partial Settings: what is nil stays.
type SettingsPatch struct {
	Reference    *int            `json:"reference,omitempty"`
	Microphones  []int           `json:"microphones,omitempty"`
	Window       *Window         `json:"window,omitempty"`
	Averaging    *AveragingPatch `json:"averaging,omitempty"`
	Smoothing    *int            `json:"smoothing,omitempty"`
	Delay        []DelayPatch    `json:"delay,omitempty"` // merged by microphone
	Hold         *bool           `json:"hold,omitempty"`
	TemperatureC *float64        `json:"temperature_c,omitempty"`
}

// AveragingPatch is a partial Averaging.
type AveragingPatch struct {
	Mode     *string  `json:"mode,omitempty"`
	Seconds  *float64 `json:"seconds,omitempty"`
	Count    *int     `json:"count,omitempty"`
	WithinDB *float64 `json:"within_db,omitempty"`
	LowHz    *float64 `json:"low_hz,omitempty"`
	HighHz   *float64 `json:"high_hz,omitempty"`
}

// DelayPatch is a partial Delay of one microphone.
type DelayPatch struct {
	Microphone int      `json:"microphone"`
	Mode       *string  `json:"mode,omitempty"`
	Ms         *float64 `json:"ms,omitempty"`
}

// Apply merges a patch and checks the outcome against a source of that many
// channels. It returns new Settings and leaves s alone; the error is an *Error
// with one sentence for the operator.
func (s Settings) Apply(p SettingsPatch, channels int) (Settings, error) {
	out := s
	out.Delay = slices.Clone(s.Delay)
	out.Microphones = slices.Clone(s.Microphones)
	set(&out.Reference, p.Reference)
	if p.Microphones != nil {
		out.Microphones = slices.Clone(p.Microphones)
		slices.Sort(out.Microphones)
	}
	set(&out.Window, p.Window)
	if a := p.Averaging; a != nil {
		set(&out.Averaging.Mode, a.Mode)
		set(&out.Averaging.Seconds, a.Seconds)
		set(&out.Averaging.Count, a.Count)
		set(&out.Averaging.WithinDB, a.WithinDB)
		set(&out.Averaging.LowHz, a.LowHz)
		set(&out.Averaging.HighHz, a.HighHz)
	}
	set(&out.Smoothing, p.Smoothing)
	set(&out.Hold, p.Hold)
	set(&out.TemperatureC, p.TemperatureC)
	out.settle()
	for _, d := range p.Delay {
		i := slices.Index(out.Microphones, d.Microphone)
		if i < 0 {
			return s, refuse("delay", "channel %d is no microphone here: choose one of %s", d.Microphone, list(out.Microphones))
		}
		set(&out.Delay[i].Mode, d.Mode)
		set(&out.Delay[i].Ms, d.Ms)
	}
	if err := out.Check(channels); err != nil {
		return s, err
	}
	return out, nil
}

// Check validates all of s against a source of that many channels.
func (s Settings) Check(channels int) error {
	switch {
	case s.Reference < 1 || s.Reference > channels:
		return refuse("reference", "the reference must be one of the channels 1 to %d, not %d", channels, s.Reference)
	case len(s.Microphones) == 0:
		return refuse("microphones", "choose at least one microphone channel")
	case len(s.Microphones) > MaxMicrophones:
		return refuse("microphones", "at most %d microphones at a time, not %d", MaxMicrophones, len(s.Microphones))
	}
	for i, m := range s.Microphones {
		switch {
		case m < 1 || m > channels:
			return refuse("microphones", "a microphone must be one of the channels 1 to %d, not %d", channels, m)
		case m == s.Reference:
			return refuse("microphones", "channel %d is the reference: choose another one as microphone", m)
		case i > 0 && m == s.Microphones[i-1]:
			return refuse("microphones", "microphone channel %d is listed twice", m)
		}
	}
	if w := int(s.Window); w != 0 && (w < MinWindow || w > MaxWindow || bits.OnesCount(uint(w)) != 1) {
		return refuse("window", "window must be \"multi\" or a power of two from %d to %d, not %d", MinWindow, MaxWindow, w)
	}
	a := s.Averaging
	switch {
	case !slices.Contains([]string{AverageTime, AverageCount, AverageInfinite, AverageUntil}, a.Mode):
		return refuse("averaging", "averaging mode must be \"time\", \"count\", \"infinite\" or \"until\", not %q", a.Mode)
	case !within(a.Seconds, 0.1, MaxAveragingS):
		return refuse("averaging", "averaging time must lie between 0.1 and %d s, not %g", MaxAveragingS, a.Seconds)
	case a.Count < 1 || a.Count > MaxAverages:
		return refuse("averaging", "the number of averages must lie between 1 and %d, not %d", MaxAverages, a.Count)
	case !within(a.WithinDB, 0.05, 20):
		return refuse("averaging", "averaging until sure needs an interval between 0.05 and 20 dB, not %g", a.WithinDB)
	case !within(a.LowHz, 1, 96000) || !within(a.HighHz, 1, 96000) || a.LowHz >= a.HighHz:
		return refuse("averaging", "the band to be sure in must ascend, not %g to %g Hz", a.LowHz, a.HighHz)
	case s.Smoothing < 1 || s.Smoothing > 48:
		return refuse("smoothing", "smoothing is 1/n octave with n from 1 to 48, not %d", s.Smoothing)
	case !within(s.TemperatureC, MinTempC, MaxTempC):
		return refuse("temperature_c", "the temperature must lie between %d and %d °C, not %g", MinTempC, MaxTempC, s.TemperatureC)
	}
	for _, d := range s.Delay {
		if d.Mode != DelayAuto && d.Mode != DelayFixed {
			return refuse("delay", "delay mode must be \"auto\" or \"fixed\", not %q", d.Mode)
		}
		if !within(d.Ms, 0, MaxDelayMs) {
			return refuse("delay", "a fixed delay must lie between 0 and %d ms, not %g", MaxDelayMs, d.Ms)
		}
	}
	return nil
}

// settle keeps one Delay for each microphone, in their order.
func (s *Settings) settle() {
	old := s.Delay
	s.Delay = make([]Delay, len(s.Microphones))
	for i, m := range s.Microphones {
		s.Delay[i] = Delay{Microphone: m, Mode: DelayAuto}
		for _, d := range old {
			if d.Microphone == m {
				s.Delay[i] = d
			}
		}
	}
}

func set[T any](dst *T, src *T) {
	if src != nil {
		*dst = *src
	}
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high && !math.IsInf(x, 0) }

func list(xs []int) string {
	s := make([]string, len(xs))
	for i, x := range xs {
		s[i] = fmt.Sprint(x)
	}
	return strings.Join(s, ", ")
}
