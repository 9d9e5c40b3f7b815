package show

import (
	"math"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"plumbline/stream/wire"
)

// A trace keeps its number and its curve over a restart; a number is given again only
// when it is free, also to one that comes back.
func TestTraces(t *testing.T) {
	path := filepath.Join(t.TempDir(), "hall"+Extension)
	s := must(New(path, "hall"))(t)
	nan := float32(math.NaN())
	curve := TraceCurve{
		DelayMs: 12.5, FrequencyHz: []float64{100, 1000}, MagnitudeDB: wire.Values{-3, 0}, MagnitudeLowDB: wire.Values{}, MagnitudeHighDB: wire.Values{},
		PhaseDeg: wire.Values{nan, 90}, PhaseErrorDeg: wire.Values{}, Coherence: wire.Values{0.5, 1}, Threshold: wire.Values{},
		ImpulseStartMs: wire.Unknown(), ImpulseStepMs: 0.5, Impulse: wire.Values{0, 1, 0},
	}
	for range 3 {
		must(s.AddTrace(Trace{Microphone: 2, Heard: "seat 1"}, curve, "c1"))(t)
	}
	undo := must(s.Delete(KindTrace, 2, "c1"))(t)
	again := must(s.AddTrace(Trace{Name: "fill on"}, curve, "c1"))(t)
	if err := s.Undo(undo, "c1"); err != nil {
		t.Fatal(err)
	}
	changed := must(s.ChangeTrace(1, func(x *Trace) error {
		x.Name, x.Shown, x.Number, x.At = "before", false, 40, "nonsense"
		return nil
	}, "c2"))(t)
	if again.Number != 2 || changed.Number != 1 || changed.Shown || changed.By != "c1" {
		t.Errorf("%+v, %+v", again, changed)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = must(Open(path))(t)
	defer s.Close()
	var got []any
	for _, x := range must(s.Traces())(t) {
		got = append(got, x.Name, x.Number, x.Shown)
	}
	if want := []any{"before", 1, false, "Trace 2", 4, true, "Trace 3", 3, true, "fill on", 2, true}; !reflect.DeepEqual(got, want) {
		t.Errorf("after the restart %v, want %v", got, want)
	}
	back := must(s.TraceCurve(4))(t)
	if back.Trace != 4 || !math.IsNaN(float64(back.PhaseDeg[0])) || back.PhaseDeg[1] != 90 || !math.IsNaN(float64(back.ImpulseStartMs)) || len(back.Threshold) != 0 || back.Impulse[1] != 1 {
		t.Errorf("%+v", back)
	}
	if _, err := s.TraceCurve(9); err == nil {
		t.Error("there is a curve of no trace")
	}
	for range maxTraces - 4 {
		must(s.AddTrace(Trace{}, curve, ""))(t)
	}
	if _, err := s.AddTrace(Trace{}, curve, ""); err == nil || !strings.Contains(err.Error(), "delete those") {
		t.Errorf("one too many: %v", err)
	}
	if _, err := s.AddTrace(Trace{}, TraceCurve{}, ""); err == nil {
		t.Error("an empty curve is stored")
	}
}

func TestTargets(t *testing.T) {
	s := newShow(t)
	x := must(s.PutTarget(Target{Name: "house", Points: [][2]float64{{20, 6}, {20000, -6}}, Shown: true}, "c1"))(t)
	if x.ToleranceDB != DefaultToleranceDB {
		t.Errorf("a tolerance of %g dB", x.ToleranceDB)
	}
	must(s.ChangeTarget(x.ID, func(x *Target) error { x.OffsetDB = -12; return nil }, ""))(t)
	if got := must(s.Targets())(t); len(got) != 1 || got[0].OffsetDB != -12 || !got[0].Shown || got[0].Points[1] != [2]float64{20000, -6} {
		t.Errorf("%+v", got)
	}
	for what, bad := range map[string]Target{
		"1 to 2000 points":  {Name: "x"},
		"must ascend":       {Name: "x", Points: [][2]float64{{100, 0}, {100, 1}}},
		"cannot be":         {Name: "x", Points: [][2]float64{{0, 0}}},
		"choose 0.1 to 40":  {Name: "x", Points: [][2]float64{{100, 0}}, ToleranceDB: 50},
		"offset of 1000 dB": {Name: "x", Points: [][2]float64{{100, 0}}, OffsetDB: 1000},
	} {
		if _, err := s.PutTarget(bad, ""); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("want %q, got %v", what, err)
		}
	}
	points, err := ReadTarget(strings.NewReader("Hz dB\n0 3\n20 6,5\n1000 0\n"))
	if err != nil || len(points) != 2 || points[0] != [2]float64{20, 6.5} {
		t.Errorf("%v, %v", points, err)
	}
}
