package main

import (
	"encoding/json"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/stream/wire"
)

func (s service) chooses(t *testing.T, c wire.SourceChoice) wire.Setup {
	t.Helper()
	body, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var v wire.Setup
	s.ask(t, "POST", "/api/v1/setup/source", string(body), http.StatusOK, &v)
	return v
}

// loops checks the loopback; a refusal, such as of lost samples, gives no Loopback.
func (s service) loops(t *testing.T) (v wire.Setup) {
	t.Helper()
	res, err := http.Post(s.url+"/api/v1/setup/loopback", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer http.DefaultClient.CloseIdleConnections()
	defer res.Body.Close()
	if err := json.NewDecoder(res.Body).Decode(&v); err != nil {
		t.Fatal(err)
	}
	t.Logf("%s %+v", res.Status, v.Loopback)
	return v
}

// step waits until a step of the set-up says what it should.
func (s service) step(t *testing.T, name, mark, text string) wire.Setup {
	t.Helper()
	var v wire.Setup
	var last string
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%s says %s", name, last)
		}
	})
	eventually(t, name+": "+mark+" "+text, func() bool {
		s.get(t, "/api/v1/setup", http.StatusOK, &v)
		for _, c := range v.Checks {
			if c.Name == name {
				last = c.Mark + " " + c.Certainty + ": " + c.Text
				return c.Mark == mark && c.Certainty != wire.CannotTell && strings.Contains(c.Text, text)
			}
		}
		return false
	})
	return v
}

// The loopback is found where it is, and what to do about a wrong cable is said.
func TestLoopbackIsFoundInRealTime(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	crossed, bare := box("stage/crossed", "Crossed box", 4, 4), box("stage/bare", "Bare box", 4, 4)
	crossed.loopback, bare.loopback = 3, 0
	setStage(t, box("stage/large", "Large box", 4, 4), crossed, bare)
	d := start(t, "--listen", "127.0.0.1:0", "--open=false")
	for _, c := range []struct {
		device, mark, text string
		input              int
	}{
		{"stage/large", wire.Steady, "Output 1 comes back on input 1 after ", 1},
		{"stage/crossed", wire.Act, "came back on input 3 and not on the reference, input 1: swap the cables, or make input 3 the reference", 3},
		{"stage/bare", wire.Act, "The test signal on output 1 came back on no input", 0},
	} {
		d.chooses(t, wire.SourceChoice{Device: c.device, Reference: 1, Microphones: []int{2}, Output: c.device, LoopbackOutput: 1})
		d.step(t, wire.CheckLoopback, wire.Attention, "Not checked yet")
		var v wire.Setup
		d.ask(t, "POST", "/api/v1/setup/loopback", "", http.StatusOK, &v)
		l := v.Loopback
		if l.Input != c.input || v.Source.Device != c.device || l.Wanders || l.Inverted {
			t.Errorf("%s: %+v", c.device, l)
		}
		// The cable holds tripFrames, 50 ms, before it gives back the first.
		if c.input != 0 && (l.RoundTripMs < 50 || math.Abs(float64(l.LevelDBFS)+30) > 0.1) {
			t.Errorf("%s: %+v", c.device, l)
		}
		d.step(t, wire.CheckLoopback, c.mark, c.text)
	}
}

// A recording is not broken off for another device.
func TestRecordingKeepsItsDevice(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	setStage(t, box("stage/large", "Large box", 4, 4), box("stage/small", "Small box", 2, 2))
	d := start(t, "serve", "--device", "stage/large", "--record", filepath.Join(t.TempDir(), "take.wav"), "--listen", "127.0.0.1:0")
	d.step(t, wire.CheckDevice, wire.Steady, "Large box is open at 48 kHz")
	var refused wire.ErrorBody
	body := `{"device":"stage/small","reference":1,"microphones":[2],"rate_hz":0,"names":[],"output":"","loopback_output":0}`
	d.ask(t, "POST", "/api/v1/setup/source", body, http.StatusConflict, &refused)
	if refused.Error.Code != "occupied" || !strings.Contains(refused.Error.Text, "take.wav is being recorded: end plumbline, and start it again without --record") {
		t.Errorf("%+v", refused.Error)
	}
	d.step(t, wire.CheckDevice, wire.Steady, "Large box")
}

// What cannot be is refused in one sentence.
func TestChoicesThatCannotBe(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	setStage(t, box("stage/large", "Large box", 4, 4), box("stage/headset", "Headset", 1, 2))
	d := start(t, "--listen", "127.0.0.1:0", "--open=false")
	for body, want := range map[string]string{
		`{"device":"","reference":1,"microphones":[2]}`:                                "Choose a device.",
		`{"device":"stage/none","reference":1,"microphones":[2]}`:                      "stage/none is not here: connect it and look again",
		`{"device":"stage/large","reference":2,"microphones":[2]}`:                     "Input 2 cannot be the reference and a microphone",
		`{"device":"stage/large","reference":1,"microphones":[]}`:                      "Choose an input for a microphone.",
		`{"device":"stage/large","reference":1,"microphones":[9]}`:                     "Large box has inputs 1 to 4, and no input 9.",
		`{"device":"stage/large","reference":1,"microphones":[2],"rate_hz":8000}`:      "Choose a rate from 44100 to 192000 Hz",
		`{"device":"stage/headset","reference":1,"microphones":[2]}`:                   "Headset has too few inputs",
		`{"device":"stage/large","reference":1,"microphones":[2],"names":["a\u0007"]}`: "must be plain text on one line",
	} {
		var refused wire.ErrorBody
		status := http.StatusUnprocessableEntity
		if strings.Contains(body, "stage/none") {
			status = http.StatusNotFound
		}
		d.ask(t, "POST", "/api/v1/setup/source", body, status, &refused)
		if !strings.Contains(refused.Error.Text, want) {
			t.Errorf("%s: %q, want %q", body, refused.Error.Text, want)
		}
	}
	var refused wire.ErrorBody
	d.ask(t, "POST", "/api/v1/setup/loopback", "", http.StatusConflict, &refused)
	if !strings.Contains(refused.Error.Text, "There is no device") {
		t.Errorf("%+v", refused.Error)
	}
}
