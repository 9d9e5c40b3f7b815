package setting_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"plumbline/analyze/setting"
)

// Each line names the field, what is wanted and what was given. The limits
// themselves are taken.
func TestCheck(t *testing.T) {
	good := func(change func(*setting.Settings)) {
		t.Helper()
		s := setting.Default(1, []int{2, 4})
		change(&s)
		if err := s.Check(5); err != nil {
			t.Errorf("%+v: %v", s, err)
		}
	}
	good(func(*setting.Settings) {})
	good(func(s *setting.Settings) {
		s.Window, s.Smoothing, s.TemperatureC = setting.MinWindow, 1, setting.MinTempC
	})
	good(func(s *setting.Settings) {
		s.Window, s.Smoothing, s.TemperatureC = setting.MaxWindow, setting.MaxSmoothing, setting.MaxTempC
	})
	good(func(s *setting.Settings) {
		s.Averaging = setting.Averaging{Mode: "until", Seconds: 0.1, Count: 1, WithinDB: 0.05, LowHz: 1, HighHz: 96000}
	})
	good(func(s *setting.Settings) {
		s.Averaging = setting.Averaging{Mode: "count", Seconds: 600, Count: 10000, WithinDB: 20, LowHz: 1, HighHz: 96000}
	})
	good(func(s *setting.Settings) { s.Delay[1].Mode, s.Delay[1].Ms = setting.DelayFixed, setting.MaxDelayMs })
	good(func(s *setting.Settings) { s.Delay = nil })
	good(func(s *setting.Settings) { s.Reference, s.Microphones, s.Delay = 5, []int{1}, nil })

	for want, change := range map[string]func(*setting.Settings){
		`reference must be one of the channels 1 to 5, not 0`:                                             func(s *setting.Settings) { s.Reference = 0 },
		`reference must be one of the channels 1 to 5, not 6`:                                             func(s *setting.Settings) { s.Reference = 6 },
		`microphones must be 1 to 32 of the channels 1 to 5, each once and not the reference 4, not 2, 4`: func(s *setting.Settings) { s.Reference = 4 },
		`microphones must be 1 to 32 of the channels 1 to 5, each once and not the reference 1, not none`: func(s *setting.Settings) { s.Microphones = nil },
		`microphones must be 1 to 32 of the channels 1 to 5, each once and not the reference 1, not 2, 2`: func(s *setting.Settings) { s.Microphones = []int{2, 2} },
		`microphones must be 1 to 32 of the channels 1 to 5, each once and not the reference 1, not 4, 2`: func(s *setting.Settings) { s.Microphones = []int{4, 2} },
		`microphones must be 1 to 32 of the channels 1 to 5, each once and not the reference 1, not 2, 6`: func(s *setting.Settings) { s.Microphones = []int{2, 6} },
		`window must be "multi" or a power of two from 256 to 262144, not 128`:                            func(s *setting.Settings) { s.Window = 128 },
		`window must be "multi" or a power of two from 256 to 262144, not 524288`:                         func(s *setting.Settings) { s.Window = 524288 },
		`window must be "multi" or a power of two from 256 to 262144, not 1000`:                           func(s *setting.Settings) { s.Window = 1000 },
		`averaging.mode must be "time", "count", "infinite" or "until", not ""`:                           func(s *setting.Settings) { s.Averaging.Mode = "" },
		`averaging.seconds must be 0.1 to 600 s, not 0.09`:                                                func(s *setting.Settings) { s.Averaging.Seconds = 0.09 },
		`averaging.seconds must be 0.1 to 600 s, not NaN`:                                                 func(s *setting.Settings) { s.Averaging.Seconds = math.NaN() },
		`averaging.count must be a whole number from 1 to 10000, not 10001`:                               func(s *setting.Settings) { s.Averaging.Count = 10001 },
		`averaging.within_db must be 0.05 to 20 dB, not +Inf`:                                             func(s *setting.Settings) { s.Averaging.WithinDB = math.Inf(1) },
		`averaging.low_hz must be 1 to 96000 Hz, not 0.5`:                                                 func(s *setting.Settings) { s.Averaging.LowHz = 0.5 },
		`averaging.low_hz must be below high_hz, which is 63, not 63`:                                     func(s *setting.Settings) { s.Averaging.HighHz = 63 },
		`averaging.low_hz must be 1 to 96000 Hz, not NaN`:                                                 func(s *setting.Settings) { s.Averaging.LowHz = math.NaN() },
		`averaging.high_hz must be 1 to 96000 Hz, not +Inf`:                                               func(s *setting.Settings) { s.Averaging.HighHz = math.Inf(1) },
		`smoothing must be n of 1/n octave, a whole number from 1 to 48, not 0`:                           func(s *setting.Settings) { s.Smoothing = 0 },
		`smoothing must be n of 1/n octave, a whole number from 1 to 48, not 49`:                          func(s *setting.Settings) { s.Smoothing = 49 },
		`delay.microphone must be one of the microphones 2, 4, not 3`:                                     func(s *setting.Settings) { s.Delay[0].Microphone = 3 },
		`delay.mode must be "auto" or "fixed", not "never"`:                                               func(s *setting.Settings) { s.Delay[0].Mode = "never" },
		`delay.ms must be 0 to 1500 ms, not -0.5`:                                                         func(s *setting.Settings) { s.Delay[1].Ms = -0.5 },
		`temperature_c must be -30 to 50 °C, not 50.5`:                                                    func(s *setting.Settings) { s.TemperatureC = 50.5 },
	} {
		s := setting.Default(1, []int{2, 4})
		change(&s)
		err := s.Check(5)
		var e *setting.Error
		if !errors.As(err, &e) || err.Error() != want || strings.Contains(want, "\n") {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
	s := setting.Default(1, []int{2})
	if err := s.Check(1); err == nil || !strings.HasPrefix(err.Error(), "channels must be 2 or more") {
		t.Errorf("one channel: %v", err)
	}
	many := make([]int, 33)
	for i := range many {
		many[i] = i + 2
	}
	s = setting.Default(1, many)
	if err := s.Check(34); err == nil || !strings.HasSuffix(err.Error(), "not 33 channels") {
		t.Errorf("33 microphones: %v", err)
	}
}

func TestSingleValues(t *testing.T) {
	for want, err := range map[string]error{
		"sample_rate_hz must be 44100 to 192000 Hz, not 44099":                             setting.CheckRate(44099),
		"spread_m must be 0, for the point of the microphone, or 0.01 to 0.5 m, not 0.001": setting.CheckSpread(0.001),
		"correction_db must be -40 to 40 dB, not 41":                                       setting.CheckCorrection(41),
		"goal.within_db must be 0.05 to 20 dB, not 0":                                      setting.CheckGoal("goal.", 0, 100, 200),
		"goal.low_hz must be below high_hz, which is 100, not 200":                         setting.CheckGoal("goal.", 1, 200, 100),
	} {
		if err == nil || err.Error() != want {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
	for _, err := range []error{setting.CheckRate(44100), setting.CheckRate(192000), setting.CheckSpread(0), setting.CheckSpread(0.5), setting.CheckCorrection(-40), setting.CheckGoal("", 1, 20, 20000)} {
		if err != nil {
			t.Error(err)
		}
	}
}

func TestWindowAsJSON(t *testing.T) {
	for text, w := range map[string]setting.Window{`"multi"`: 0, `16384`: 16384} {
		data, err := json.Marshal(w)
		back := setting.Window(-1)
		if err != nil || string(data) != text || json.Unmarshal(data, &back) != nil || back != w {
			t.Errorf("%d: %s, %v, back %d", w, data, err, back)
		}
	}
	for _, text := range []string{`0`, `"long"`, `1.5`, `true`, `[]`} {
		var w setting.Window
		var e *setting.Error
		if err := json.Unmarshal([]byte(text), &w); !errors.As(err, &e) || e.Field != "window" || e.Value != text {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// A microphone that stays keeps its delay, a new one has it found.
func TestSettle(t *testing.T) {
	s := setting.Default(1, []int{2, 3})
	s.Delay[1].Mode, s.Delay[1].Ms = setting.DelayFixed, 7
	s.Microphones = []int{3, 4}
	s.Settle()
	if len(s.Delay) != 2 || s.Delay[0] != (setting.Delay{Microphone: 3, Mode: "fixed", Ms: 7}) || s.Delay[1] != (setting.Delay{Microphone: 4, Mode: "auto"}) {
		t.Errorf("%+v", s.Delay)
	}
}
