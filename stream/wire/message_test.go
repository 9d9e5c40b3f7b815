package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/setting"
	"plumbline/stream/internal/frametest"
)

func (o Object) json() ([]byte, error) { return json.Marshal(o) }

func sampleState() State {
	s := setting.Default(1, []int{2, 3})
	s.Delay[1] = Delay{Microphone: 3, Mode: setting.DelayFixed, Ms: 12.3}
	return State{
		Revision: 4, Epoch: 1,
		Source:   Source{Kind: "rig", Name: "small hall", RateHz: 48000, Channels: []string{"reference", "seat 1", "seat 2"}, State: "running"},
		Settings: s, Counters: Counters{Gaps: 2, Bursts: 1}, ChangedBy: "c3",
	}
}

func sampleVerdict() Verdict {
	return Verdict{
		Type: TypeVerdict, Microphone: 2, Text: "Same polarity. Trusted from 63 Hz to 14 kHz.",
		Parts:     []Part{{Text: "Same polarity", About: "polarity"}, {Text: ". Trusted "}, {Text: "from 63 Hz to 14 kHz", About: "trusted"}, {Text: "."}},
		Certainty: Sure, Mark: Steady, PolarityReason: "same over 7.8 octaves", Cautions: []Caution{{Code: "clipped", Text: "The reference on channel 1 clips: turn its input down."}},
	}
}

func sampleRig() RigScene {
	return RigScene{
		Revision: 2, Name: "small hall", TemperatureC: 20, RateHz: 48000, Seed: 1,
		Room:      RigRoom{SizeM: [3]float64{24, 16, 7}, Reflections: 2, Absorption: map[string]float64{"125": 0.2, "1000": 0.3}},
		Programme: RigProgramme{Kind: "pink", LevelDBFS: -20},
		Noise:     RigNoise{LevelDBFS: -60},
		Loudspeakers: []RigLoudspeaker{
			{Name: "main", Role: "main", PositionM: [3]float64{1, 4, 3}, Polarity: "same", LowHz: 60, HighHz: 16000, CrossoverHz: 1500, CrossoverOrder: 4},
			{Name: "fill", Role: "fill", PositionM: [3]float64{1, 12, 1}, Polarity: "opposite", DelayMs: 3, LowHz: 90, HighHz: 16000},
		},
		Microphones: []RigMicrophone{{Name: "seat 1", PositionM: [3]float64{10, 8, 1.2}}},
		ChangedBy:   "c3",
	}
}

// One golden file for each message type: the page's tests read them too.
func TestMessagesGolden(t *testing.T) {
	rate, hidden := 10.0, false
	var f Frame
	if err := f.Decode(new(Frame).Set(frametest.New(1), unixMs).Append(nil, nil)); err != nil {
		t.Fatal(err)
	}
	hello := Hello{Type: TypeHello, Version: Version, Client: "c3", Role: "operator", Epoch: 1, RateHz: 48000, Grid: frametest.New(1).Microphones[0].Curve.FrequencyHz}
	for name, m := range map[string]any{
		"hello.json":   hello,
		"state.json":   StateMessage{TypeState, sampleState()},
		"verdict.json": sampleVerdict(),
		"rig.json":     RigMessage{TypeRig, sampleRig()},
		"show.json":    ShowMessage{TypeShow, &Show{Name: "The hall", File: "The hall.plumbline", MadeAt: "2026-08-12T12:00:00.000Z", Version: 1, Revision: 9, Seats: 2, Takes: 6, SizeBytes: 81920}},
		"survey.json": SurveyMessage{TypeSurvey, Survey{
			Revision: 41, State: SurveyMeasuring, Purpose: PurposeSurvey, Seat: 2, Main: "main", Fill: "fill", Playing: []string{"fill"}, Step: 2, Steps: 3,
			Done: 0.6, Remaining: 4.2, LevelDBFS: -20, CapDBFS: -20, Text: "Measuring fill alone at row 12: 5 s to go. Next: main and fill together.",
			Takes: []int64{7}, Plays: []string{"main", "fill"}, Doubts: []SeatDoubt{}, By: "c3",
		}},
		"notice.json": Notice{TypeNotice, "Averages start afresh.", "c3"},
		"ask.json":    Ask{Type: TypeAsk},
		"ack.json":    ClientMessage{Type: TypeAck, Seq: 7},
		"here.json":   ClientMessage{Type: TypeHere},
		"want.json":   ClientMessage{Type: TypeWant, FramesPerSecond: &rate, Hidden: &hidden, Microphones: []int{2}},
		"error.json":  ErrorBody{Error{Code: "reference", Text: "the reference must be one of the channels 1 to 2, not 3"}},
		"object.json": NewObject(&f, hello, sampleState(), []Verdict{sampleVerdict()}, 343.2),
	} {
		data, err := json.Marshal(m)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var pretty bytes.Buffer
		if err := json.Indent(&pretty, data, "", " "); err != nil {
			t.Fatal(err)
		}
		pretty.WriteByte('\n')
		golden(t, name, pretty.Bytes())
	}
}

// What the contract names is there, and unknown is null.
func TestObjectContract(t *testing.T) {
	src := frametest.New(1)
	mic := &src.Microphones[0]
	mic.DelayMs, mic.DelaySDMs = math.NaN(), math.NaN()
	mic.Polarity.Sign, mic.Arrivals = 0, nil
	mic.PeakDBFS = math.Inf(-1)
	var f Frame
	if err := f.Decode(new(Frame).Set(src, unixMs).Append(nil, nil)); err != nil {
		t.Fatal(err)
	}
	v := Verdict{Microphone: 2, Text: "Cannot tell.", DelayReason: "no copy of the reference"}
	data, err := NewObject(&f, Hello{RateHz: 48000, Grid: mic.Curve.FrequencyHz}, sampleState(), []Verdict{v}, 343.2).json()
	if err != nil {
		t.Fatal(err)
	}
	var o map[string]any
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"time", "source", "gaps", "sample_rate_hz", "verdict", "microphones"} {
		if o[key] == nil {
			t.Errorf("%s is missing", key)
		}
	}
	if o["time"] != "2026-08-12T12:00:00.123Z" {
		t.Errorf("time %v", o["time"])
	}
	m := o["microphones"].([]any)[0].(map[string]any)
	for _, key := range []string{"frequency_hz", "magnitude_db", "magnitude_low_db", "magnitude_high_db", "phase_deg", "coherence", "effective_averages"} {
		if n := len(m[key].([]any)); n != len(mic.Curve.FrequencyHz) {
			t.Errorf("%s has %d numbers, want %d", key, n, len(mic.Curve.FrequencyHz))
		}
	}
	if m["delay_ms"] != nil || m["delay_sd_ms"] != nil || m["reason"] != "no copy of the reference" {
		t.Errorf("delay %v ± %v because %v", m["delay_ms"], m["delay_sd_ms"], m["reason"])
	}
	p := m["polarity"].(map[string]any)
	if p["verdict"] != "undecided" || p["confidence"] != nil {
		t.Errorf("polarity %v", p)
	}
	if l := m["levels"].(map[string]any); l["peak_dbfs"] != nil || l["rms_dbfs"] != -26.25 {
		t.Errorf("levels %v", l)
	}
	if first := m["magnitude_db"].([]any)[0]; first != nil {
		t.Errorf("unknown magnitude is %v", first)
	}
}

func TestObjectReadsBack(t *testing.T) {
	var f Frame
	if err := f.Decode(new(Frame).Set(frametest.New(1), unixMs).Append(nil, nil)); err != nil {
		t.Fatal(err)
	}
	data, err := NewObject(&f, Hello{Grid: []float64{}}, sampleState(), nil, 343.2).json()
	if err != nil {
		t.Fatal(err)
	}
	var back Object
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	again, err := back.json()
	if err != nil || !bytes.Equal(again, data) {
		t.Errorf("reads back as something else: %v", err)
	}
}

func TestClientMessages(t *testing.T) {
	for _, good := range []string{
		`{"type":"ack","seq":18446744073709551615}`,
		`{"type":"want"}`,
		`{"type":"want","frames_per_second":60,"hidden":true,"microphones":[]}`,
	} {
		if _, err := DecodeClientMessage([]byte(good)); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for bad, say := range map[string]string{
		`{"type":"ack","hidden":true}`:            "nothing else",
		`{"type":"want","frames_per_second":0}`:   "between 0.1 and 60",
		`{"type":"want","frames_per_second":1e9}`: "between 0.1 and 60",
		`{"type":"shout"}`:                        "must be",
		`{"type":"want","rate":3}`:                `unknown field "rate"`,
		`{"type":"want"} {}`:                      "nothing after it",
		`{"type":"want","microphones":"all"}`:     "microphones cannot be a string",
		`{`:                                       "ends too early",
		``:                                        "ends too early",
		`hello`:                                   "not JSON",
		`[1]`:                                     "a JSON object is expected, not an array",
		`{"type":["want"]}`:                       "type cannot be an array",
	} {
		_, err := DecodeClientMessage([]byte(bad))
		var mine *Error
		if !errors.As(err, &mine) || !strings.Contains(mine.Text, say) {
			t.Errorf("%s: %v, want %q in it", bad, err, say)
		}
	}
}

func FuzzClientMessage(f *testing.F) {
	f.Add([]byte(`{"type":"ack","seq":3}`))
	f.Add([]byte(`{"type":"want","frames_per_second":20,"hidden":false,"microphones":[2]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := DecodeClientMessage(b)
		if err != nil {
			return
		}
		data, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		back, err := DecodeClientMessage(data)
		if err != nil {
			t.Fatalf("%s is read as %s, which is refused: %v", b, data, err)
		}
		if m.Microphones = append([]int(nil), m.Microphones...); len(m.Microphones) == 0 {
			m.Microphones, back.Microphones = nil, nil // an empty list is left out
		}
		if !reflect.DeepEqual(m, back) {
			t.Errorf("%+v became %+v", m, back)
		}
	})
}

// A patch finds what it names wherever it stands in the scene, and leaves the old scene alone.
func TestRigPatchFindsWhatItNames(t *testing.T) {
	old := sampleRig()
	delay, to := 7.5, Position{2, 3, 1}
	next, err := old.Apply(RigPatch{
		Loudspeakers: map[string]LoudspeakerPatch{"main": {DelayMs: &delay}},
		Microphones:  map[string]MicrophonePatch{"seat 1": {PositionM: &to}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if next.Loudspeakers[0].DelayMs != delay || next.Microphones[0].PositionM != [3]float64(to) {
		t.Errorf("%+v", next)
	}
	if !reflect.DeepEqual(old, sampleRig()) {
		t.Errorf("the old scene has changed: %+v", old)
	}
}
