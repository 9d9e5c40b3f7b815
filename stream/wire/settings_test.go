package wire

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/setting"
)

func TestApplySettings(t *testing.T) {
	start := setting.Default(1, []int{2})
	patch := func(t *testing.T, s Settings, text string) (Settings, error) {
		t.Helper()
		var p SettingsPatch
		if err := DecodeStrict(strings.NewReader(text), &p); err != nil {
			return s, err
		}
		return p.Apply(s, 4)
	}
	good, err := patch(t, start, `{"microphones":[4,2],"window":16384,"averaging":{"mode":"until","within_db":0.5},"smoothing":6,"delay":[{"microphone":4,"mode":"fixed","ms":12.3}],"hold":true}`)
	if err != nil {
		t.Fatal(err)
	}
	want := start
	want.Microphones = []int{2, 4}
	want.Window, want.Smoothing, want.Hold = 16384, 6, true
	want.Averaging.Mode, want.Averaging.WithinDB = setting.AverageUntil, 0.5
	want.Delay = []Delay{{Microphone: 2, Mode: setting.DelayAuto}, {Microphone: 4, Mode: setting.DelayFixed, Ms: 12.3}}
	if !reflect.DeepEqual(good, want) {
		t.Errorf("got %+v, want %+v", good, want)
	}
	if !reflect.DeepEqual(start, setting.Default(1, []int{2})) {
		t.Error("Apply changed what it was called on")
	}
	back, err := patch(t, good, `{"window":"multi","microphones":[4]}`)
	if err != nil || back.Window != 0 || len(back.Delay) != 1 || back.Delay[0].Ms != 12.3 {
		t.Errorf("a remaining microphone's delay was lost: %+v, %v", back, err)
	}

	for text, say := range map[string]string{
		`{"reference":5}`:                               "channels 1 to 4",
		`{"reference":2}`:                               "each once and not the reference 2, not 2",
		`{"microphones":[]}`:                            "each once and not the reference 1, not none",
		`{"microphones":[9]}`:                           "channels 1 to 4",
		`{"microphones":[2,2]}`:                         "each once and not the reference 1, not 2, 2",
		`{"window":1000}`:                               "power of two",
		`{"window":"long"}`:                             "power of two",
		`{"window":0}`:                                  "power of two",
		`{"averaging":{"mode":"ages"}}`:                 `averaging.mode must be "time", "count", "infinite" or "until", not "ages"`,
		`{"averaging":{"seconds":0}}`:                   "averaging.seconds must be 0.1 to 600 s, not 0",
		`{"averaging":{"count":0}}`:                     "averaging.count must be a whole number from 1 to 10000, not 0",
		`{"averaging":{"within_db":0}}`:                 "averaging.within_db must be 0.05 to 20 dB, not 0",
		`{"averaging":{"low_hz":900,"high_hz":100}}`:    "averaging.low_hz must be below high_hz, which is 100, not 900",
		`{"smoothing":49}`:                              "1 to 48",
		`{"delay":[{"microphone":3,"ms":1}]}`:           "delay.microphone must be one of the microphones 2, not 3",
		`{"delay":[{"microphone":2,"ms":-1}]}`:          "delay.ms must be 0 to 1500 ms, not -1",
		`{"delay":[{"microphone":2,"mode":"perhaps"}]}`: "auto",
		`{"temperature_c":100}`:                         "temperature_c must be -30 to 50 °C, not 100",
		`{"colour":"red"}`:                              "unknown field",
	} {
		s, err := patch(t, start, text)
		var mine *Error
		if !errors.As(err, &mine) || !strings.Contains(mine.Text, say) || strings.Contains(mine.Text, "\n") {
			t.Errorf("%s: %v, want a sentence with %q", text, err, say)
		}
		if !reflect.DeepEqual(s, start) {
			t.Errorf("%s: a refused patch changed the settings", text)
		}
	}
	nan := math.NaN()
	if _, err := (SettingsPatch{TemperatureC: &nan}).Apply(start, 4); err == nil {
		t.Error("NaN is taken")
	}
}

func TestApplyRig(t *testing.T) {
	start := sampleRig()
	apply := func(text string) (RigScene, error) {
		var p RigPatch
		if err := DecodeStrict(strings.NewReader(text), &p); err != nil {
			return start, err
		}
		return start.Apply(p)
	}
	got, err := apply(`{"loudspeakers":{"fill":{"polarity":"same","delay_ms":3.5}},"microphones":{"seat 1":{"position_m":[4,3,1.2]}},"noise":{"level_dbfs":-50}}`)
	if err != nil {
		t.Fatal(err)
	}
	want := sampleRig()
	want.Loudspeakers[1].Polarity, want.Loudspeakers[1].DelayMs = "same", 3.5
	want.Microphones[0].PositionM = [3]float64{4, 3, 1.2}
	want.Noise.LevelDBFS = -50
	if !reflect.DeepEqual(got, want) || !reflect.DeepEqual(start, sampleRig()) {
		t.Errorf("got %+v", got)
	}
	for text, say := range map[string]string{
		`{"loudspeakers":{"sub":{"mute":true}}}`: "choose one of main, fill",
		`{"microphones":{"seat 9":{}}}`:          "choose one of seat 1",
		`{"programme":{"file":"/etc/passwd"}}`:   "unknown field",
	} {
		_, err := apply(text)
		var mine *Error
		if !errors.As(err, &mine) || !strings.Contains(mine.Text, say) {
			t.Errorf("%s: %v, want a sentence with %q", text, err, say)
		}
	}
}

func TestValues(t *testing.T) {
	in := Values{1.5, float32(math.NaN()), float32(math.Inf(-1)), 1e-9, -0.1, 17.302}
	data, err := json.Marshal(in)
	if err != nil || string(data) != `[1.5,null,null,1e-09,-0.1,17.302]` {
		t.Fatalf("%s %v", data, err)
	}
	var back Values
	if err := json.Unmarshal(data, &back); err != nil || back[0] != 1.5 || back[1] == back[1] || back[5] != 17.302 {
		t.Fatalf("%v %v", back, err)
	}
}
