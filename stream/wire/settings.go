package wire

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/setting"
)

// What an operator chooses goes over the wire as package setting has it.
type (
	Settings  = setting.Settings
	Window    = setting.Window
	Averaging = setting.Averaging
	Delay     = setting.Delay
)

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

// Apply merges the patch into s and checks the outcome against a source of that
// many channels. It returns new Settings and leaves s alone; the error is an *Error
// with one sentence for the operator.
func (p SettingsPatch) Apply(s Settings, channels int) (Settings, error) {
	out := s.Clone()
	set(&out.Reference, p.Reference)
	if p.Microphones != nil {
		out.Microphones = slices.Sorted(slices.Values(p.Microphones))
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
	out.Settle()
	for _, d := range p.Delay {
		i := slices.Index(out.Microphones, d.Microphone)
		if i < 0 { // which Check refuses
			i = len(out.Delay)
			out.Delay = append(out.Delay, out.DelayOf(d.Microphone))
		}
		set(&out.Delay[i].Mode, d.Mode)
		set(&out.Delay[i].Ms, d.Ms)
	}
	if err := out.Check(channels); err != nil {
		return s, Refused(err)
	}
	return out, nil
}

// Refused makes an *Error of what package setting refuses, its code being the field
// at the top; any other error it returns as it is.
func Refused(err error) error {
	var e *setting.Error
	if !errors.As(err, &e) {
		return err
	}
	code, _, _ := strings.Cut(e.Field, ".")
	return &Error{Code: code, Text: e.Error(), Cause: err}
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
		s[i] = strconv.Itoa(x)
	}
	return strings.Join(s, ", ")
}
