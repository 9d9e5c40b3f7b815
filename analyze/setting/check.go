package setting

import (
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// Limits of what can be set.
const (
	MinRateHz       = 44100
	MaxRateHz       = 192000
	MaxMicrophones  = 32
	MinWindow       = 256    // samples
	MaxWindow       = 262144 // samples
	MaxSmoothing    = 48     // 1/48 octave, the grid of the multi-resolution response
	MaxDelayMs      = 1500
	MinAveragingS   = 0.1
	MaxAveragingS   = 600
	MaxAverages     = 10000
	MinWithinDB     = 0.05
	MaxWithinDB     = 20
	MinBandHz       = 1
	MaxBandHz       = 96000
	MinTempC        = -30
	MaxTempC        = 50
	MinSpreadM      = 0.01
	MaxSpreadM      = 0.50
	MaxCorrectionDB = 40 // of a limit, either way
	MinLimitDB      = 40 // that somebody enters
	MaxLimitDB      = 140
	MinLimitS       = 60
	MaxLimitS       = 86400
)

// Error refuses the value of one setting.
type Error struct {
	Field string // as in JSON; one in another is reached by a dot
	Value string // what was given
	Want  string // what there is to choose from
}

// Error is one line for the operator.
func (e *Error) Error() string { return e.Field + " must be " + e.Want + ", not " + e.Value }

// Check validates all of s for a source of that many channels. The error is an
// *Error about the first setting that cannot be.
func (s *Settings) Check(channels int) error {
	if err := s.checkChannels(channels); err != nil {
		return err
	}
	if w := int(s.Window); w != 0 && (w < MinWindow || w > MaxWindow || bits.OnesCount(uint(w)) != 1) {
		return &Error{"window", strconv.Itoa(w), wantWindow}
	}
	if err := s.Averaging.check(); err != nil {
		return err
	}
	if s.Smoothing < 1 || s.Smoothing > MaxSmoothing {
		return &Error{"smoothing", strconv.Itoa(s.Smoothing), fmt.Sprintf("n of 1/n octave, a whole number from 1 to %d", MaxSmoothing)}
	}
	for _, d := range s.Delay {
		if err := s.checkDelay(d); err != nil {
			return err
		}
	}
	return CheckTemperature(s.TemperatureC)
}

func (s *Settings) checkChannels(channels int) error {
	if channels < 2 {
		return &Error{"channels", strconv.Itoa(channels), "2 or more, a reference and a microphone in one recording or device"}
	}
	if s.Reference < 1 || s.Reference > channels {
		return &Error{"reference", strconv.Itoa(s.Reference), fmt.Sprintf("one of the channels 1 to %d", channels)}
	}
	used := map[int]bool{s.Reference: true}
	good := len(s.Microphones) >= 1 && len(s.Microphones) <= MaxMicrophones
	for i, m := range s.Microphones {
		good = good && m >= 1 && m <= channels && !used[m] && (i == 0 || m > s.Microphones[i-1])
		used[m] = true
	}
	if !good {
		return &Error{"microphones", list(s.Microphones),
			fmt.Sprintf("1 to %d of the channels 1 to %d, each once and not the reference %d", MaxMicrophones, channels, s.Reference)}
	}
	return nil
}

func (a *Averaging) check() error {
	switch a.Mode {
	case AverageTime, AverageCount, AverageInfinite, AverageUntil:
	default:
		return &Error{"averaging.mode", strconv.Quote(a.Mode), `"time", "count", "infinite" or "until"`}
	}
	if err := between("averaging.seconds", a.Seconds, MinAveragingS, MaxAveragingS, "s"); err != nil {
		return err
	}
	if a.Count < 1 || a.Count > MaxAverages {
		return &Error{"averaging.count", strconv.Itoa(a.Count), fmt.Sprintf("a whole number from 1 to %d", MaxAverages)}
	}
	return CheckGoal("averaging.", a.WithinDB, a.LowHz, a.HighHz)
}

func (s *Settings) checkDelay(d Delay) error {
	known := false
	for _, m := range s.Microphones {
		known = known || m == d.Microphone
	}
	switch {
	case !known:
		return &Error{"delay.microphone", strconv.Itoa(d.Microphone), "one of the microphones " + list(s.Microphones)}
	case d.Mode != DelayAuto && d.Mode != DelayFixed:
		return &Error{"delay.mode", strconv.Quote(d.Mode), `"auto" or "fixed"`}
	}
	return between("delay.ms", d.Ms, 0, MaxDelayMs, "ms")
}

var wantWindow = fmt.Sprintf(`"multi" or a power of two from %d to %d`, MinWindow, MaxWindow)

// CheckGoal validates when something is sure enough: a half width of the 95 %
// interval, and the band that it is about. of stands in front of the fields' names.
func CheckGoal(of string, withinDB, lowHz, highHz float64) error {
	if err := between(of+"within_db", withinDB, MinWithinDB, MaxWithinDB, "dB"); err != nil {
		return err
	}
	return CheckBand(of, lowHz, highHz)
}

// CheckBand validates the edges of a band; of as in CheckGoal.
func CheckBand(of string, lowHz, highHz float64) error {
	if err := between(of+"low_hz", lowHz, MinBandHz, MaxBandHz, "Hz"); err != nil {
		return err
	}
	if err := between(of+"high_hz", highHz, MinBandHz, MaxBandHz, "Hz"); err != nil {
		return err
	}
	if lowHz >= highHz {
		return &Error{of + "low_hz", number(lowHz), "below high_hz, which is " + number(highHz)}
	}
	return nil
}

// CheckTemperature validates that of the air, °C.
func CheckTemperature(c float64) error { return between("temperature_c", c, MinTempC, MaxTempC, "°C") }

// CheckRate validates a sample rate that is analysed.
func CheckRate(hz float64) error { return between("sample_rate_hz", hz, MinRateHz, MaxRateHz, "Hz") }

// CheckSpread validates over what spread of position, m, a plan is averaged.
func CheckSpread(m float64) error {
	if m == 0 || m >= MinSpreadM && m <= MaxSpreadM {
		return nil
	}
	return &Error{"spread_m", number(m), fmt.Sprintf("0, for the point of the microphone, or %g to %g m", MinSpreadM, MaxSpreadM)}
}

// CheckCorrection validates what is added to levels before a limit judges them, dB.
func CheckCorrection(db float64) error {
	return between("correction_db", db, -MaxCorrectionDB, MaxCorrectionDB, "dB")
}

// CheckLimit validates a limit that somebody enters: a level, dB re 20 µPa, over so many seconds.
func CheckLimit(db, overS float64) error {
	if err := between("limit_db", db, MinLimitDB, MaxLimitDB, "dB"); err != nil {
		return err
	}
	if overS != math.Trunc(overS) {
		return &Error{"over_s", number(overS), "whole seconds"}
	}
	return between("over_s", overS, MinLimitS, MaxLimitS, "s")
}

// between also refuses what is not a number.
func between(field string, x, low, high float64, unit string) error {
	if x >= low && x <= high {
		return nil
	}
	return &Error{field, number(x), fmt.Sprintf("%s to %s %s", number(low), number(high), unit)}
}

func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func list(xs []int) string {
	switch {
	case len(xs) == 0:
		return "none"
	case len(xs) > MaxMicrophones:
		return strconv.Itoa(len(xs)) + " channels"
	}
	s := make([]string, len(xs))
	for i, x := range xs {
		s[i] = strconv.Itoa(x)
	}
	return strings.Join(s, ", ")
}
