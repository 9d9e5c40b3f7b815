package wire

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
)

func TestApplySettings(t *testing.T) {
	start := DefaultSettings(1, []int{2})
	patch := func(t *testing.T, s Settings, text string) (Settings, error) {
		t.Helper()
		var p SettingsPatch
		if err := DecodeStrict(strings.NewReader(text), &p); err != nil {
			return s, err
		}
		return s.Apply(p, 4)
	}
	good, err := patch(t, start, `{"microphones":[4,2],"window":16384,"averaging":{"mode":"until","within_db":0.5},"smoothing":6,"delay":[{"microphone":4,"mode":"fixed","ms":12.3}],"hold":true}`)
	if err != nil {
		t.Fatal(err)
	}
	want := start
	want.Microphones = []int{2, 4}
	want.Window, want.Smoothing, want.Hold = 16384, 6, true
	want.Averaging.Mode, want.Averaging.WithinDB = AverageUntil, 0.5
	want.Delay = []Delay{{2, DelayAuto, 0}, {4, DelayFixed, 12.3}}
	if !reflect.DeepEqual(good, want) {
		t.Errorf("got %+v, want %+v", good, want)
	}
	if !reflect.DeepEqual(start, DefaultSettings(1, []int{2})) {
		t.Error("Apply changed what it was called on")
	}
	back, err := patch(t, good, `{"window":"multi","microphones":[4]}`)
	if err != nil || back.Window != 0 || len(back.Delay) != 1 || back.Delay[0].Ms != 12.3 {
		t.Errorf("a remaining microphone's delay was lost: %+v, %v", back, err)
	}

	for text, say := range map[string]string{
		`{"reference":5}`:                               "channels 1 to 4",
		`{"reference":2}`:                               "is the reference",
		`{"microphones":[]}`:                            "at least one",
		`{"microphones":[9]}`:                           "channels 1 to 4",
		`{"microphones":[2,2]}`:                         "twice",
		`{"window":1000}`:                               "power of two",
		`{"window":"long"}`:                             "power of two",
		`{"window":0}`:                                  "power of two",
		`{"averaging":{"mode":"ages"}}`:                 "averaging mode",
		`{"averaging":{"seconds":0}}`:                   "between 0.1",
		`{"averaging":{"count":0}}`:                     "between 1",
		`{"averaging":{"within_db":0}}`:                 "between 0.05",
		`{"averaging":{"low_hz":900,"high_hz":100}}`:    "ascend",
		`{"smoothing":49}`:                              "1 to 48",
		`{"delay":[{"microphone":3,"ms":1}]}`:           "no microphone here",
		`{"delay":[{"microphone":2,"ms":-1}]}`:          "between 0 and 1500",
		`{"delay":[{"microphone":2,"mode":"perhaps"}]}`: "auto",
		`{"temperature_c":100}`:                         "between -30 and 50",
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
	if _, err := start.Apply(SettingsPatch{TemperatureC: &nan}, 4); err == nil {
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
		`{"loudspeakers":{"sub":{"mute":true}}}`:                 "choose one of main, fill",
		`{"microphones":{"seat 9":{}}}`:                          "choose one of seat 1",
		`{"microphones":{"seat 1":{"position_m":[99,1,1]}}}`:     "room of 24 × 16 × 7 m",
		`{"loudspeakers":{"fill":{"polarity":"reversed"}}}`:      `"same" or "opposite"`,
		`{"loudspeakers":{"fill":{"gain_db":99}}}`:               "gain of fill",
		`{"loudspeakers":{"fill":{"delay_ms":-1}}}`:              "delay of fill",
		`{"loudspeakers":{"fill":{"low_hz":900,"high_hz":800}}}`: "ascend",
		`{"loudspeakers":{"main":{"crossover_order":3}}}`:        "2, 4 or 8",
		`{"programme":{"kind":"file"}}`:                          "when the scene names one",
		`{"programme":{"file":"/etc/passwd"}}`:                   "unknown field",
		`{"temperature_c":1000}`:                                 "temperature",
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
