package stream

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"plumbline/analyze/setting"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// wireTypes are the types that go over the wire, and what openapi.yaml and
// ui/core/types.js call them; without a name a type is written out where another has
// it. TestWireTypesAreAllHere knows which are missing.
var wireTypes = []struct {
	v               any
	schema, typedef string
	// body: the schema is of a request whose answer has the same Go type. There all
	// keys are, here any may be left out.
	body bool
}{
	{v: wire.ErrorBody{}, schema: "Error", typedef: "ErrorBody"},
	{v: setting.Averaging{}, typedef: "Averaging"},
	{v: setting.Delay{}, typedef: "Delay"},
	{v: setting.Settings{}, schema: "Settings", typedef: "Settings"},
	{v: wire.SettingsPatch{}, schema: "SettingsPatch", typedef: "SettingsPatch"},
	{v: wire.Source{}, typedef: "Source"},
	{v: wire.Counters{}, typedef: "Counters"},
	{v: wire.Progress{}, typedef: "Progress"},
	{v: wire.Recording{}, typedef: "Recording"},
	{v: wire.State{}, schema: "State", typedef: "State"},
	{v: wire.Caution{}, schema: "Caution", typedef: "Caution"},
	{v: wire.Part{}, typedef: "Part"},
	{v: wire.Verdict{}, schema: "Verdict", typedef: "Verdict"},
	{v: wire.Verdicts{}, schema: "Verdicts", typedef: "Verdicts"},
	{v: wire.RigLoudspeaker{}, typedef: "Loudspeaker"},
	{v: wire.RigMicrophone{}, typedef: "Microphone"},
	{v: wire.RigScene{}, schema: "Rig", typedef: "Rig"},
	{v: wire.LoudspeakerPatch{}, typedef: "LoudspeakerPatch"},
	{v: wire.RigPatch{}, schema: "RigPatch", typedef: "RigPatch"},
	{v: wire.Fault{}, schema: "Fault", typedef: "Fault"},
	{v: healthObject{}, schema: "Health", typedef: "Health"},

	{v: wire.LevelsObject{}, schema: "Levels", typedef: "InputLevels"},
	{v: wire.PolarityObject{}, typedef: "Polarity"},
	{v: wire.ArrivalObject{}, typedef: "ArrivalOfTake"},
	{v: wire.Microphone{}, schema: "Microphone", typedef: "FrameMicrophone"},
	{v: wire.Object{}, schema: "Frame", typedef: "FrameObject"},

	{v: wire.Hello{}, schema: "Hello", typedef: "Hello"},
	{v: wire.StateMessage{}, schema: "StateMessage", typedef: "StateMessage"},
	{v: wire.RigMessage{}, schema: "RigMessage", typedef: "RigMessage"},
	{v: wire.ShowMessage{}, schema: "ShowMessage", typedef: "ShowMessage"},
	{v: wire.SurveyMessage{}, schema: "SurveyMessage", typedef: "SurveyMessage"},
	{v: wire.LevelsMessage{}, schema: "LevelsMessage", typedef: "LevelsMessage"},
	{v: wire.WatchMessage{}, schema: "WatchMessage", typedef: "WatchMessage"},
	{v: wire.EventMessage{}, schema: "EventMessage", typedef: "EventMessage"},
	{v: wire.Notice{}, schema: "Notice", typedef: "Notice"},
	{v: wire.Ask{}, schema: "Ask", typedef: "Ask"},
	{v: wire.ClientMessage{}, schema: "ClientMessage", typedef: "ClientMessage"},

	{v: wire.Show{}, schema: "Show", typedef: "Show"},
	{v: show.Entry{}, schema: "ShowEntry", typedef: "ShowEntry"},
	{v: named{}, schema: "Named", typedef: "Named"},
	{v: undoObject{}, schema: "Undo", typedef: "Undo"},
	{v: show.Loudspeaker{}, schema: "Loudspeaker", typedef: "Box"},
	{v: show.Loudspeaker{}, schema: "LoudspeakerBody", body: true},
	{v: show.Seat{}, schema: "Seat", typedef: "Seat"},
	{v: show.Seat{}, schema: "SeatBody", body: true},
	{v: show.Plan{}, schema: "Plan", typedef: "PlanItem"},
	{v: show.Plan{}, schema: "PlanBody", body: true},
	{v: show.Note{}, schema: "Note", typedef: "Note"},
	{v: show.Note{}, schema: "NoteBody", body: true},
	{v: show.Correction{}, schema: "Correction", typedef: "Correction"},
	{v: show.Correction{}, schema: "CorrectionBody", body: true},
	{v: show.Trace{}, schema: "Trace", typedef: "StoredTrace"},
	{v: show.Trace{}, schema: "TraceBody", body: true},
	{v: show.TraceCurve{}, schema: "TraceCurve", typedef: "TraceCurve"},
	{v: TraceRequest{}, schema: "TraceRequest", typedef: "TraceRequest"},
	{v: show.Target{}, schema: "Target", typedef: "Target"},
	{v: show.Target{}, schema: "TargetBody", body: true},
	{v: show.LogEntry{}, schema: "LogEntry", typedef: "LogEntry"},
	{v: show.Results{}, typedef: "TakeResults"},
	{v: show.Take{}, schema: "Take", typedef: "Take"},
	{v: show.TakePatch{}, schema: "TakePatch", typedef: "TakePatch"},
	{v: show.Exchange{}, schema: "TakeExchange", typedef: "TakeExchange"},
	{v: TakeRequest{}, schema: "TakeRequest", typedef: "TakeRequest"},
	{v: curveObject{}, schema: "TakeCurve", typedef: "TakeCurve"},
	{v: wire.Dial{}, schema: "Dial", typedef: "Dial"},
	{v: wire.TakeSettings{}, schema: "TakeSettings", typedef: "TakeSettings"},

	{v: wire.Verification{}, schema: "Verification", typedef: "Verification"},
	{v: wire.Survey{}, schema: "Survey", typedef: "Survey"},
	{v: wire.SeatDoubt{}, schema: "SeatDoubt", typedef: "SeatDoubt"},
	{v: wire.SeatTimes{}, schema: "SeatTimes", typedef: "SeatTimes"},
	{v: wire.SurveyTrace{}, schema: "SurveyTrace", typedef: "SurveyTrace"},
	{v: wire.MicrophoneTrace{}, schema: "MicrophoneTrace", typedef: "MicrophoneTrace"},
	{v: wire.SurveyAnswer{}, schema: "SurveyAnswer", typedef: "SurveyAnswer"},
	{v: wire.SurveyRequest{}, schema: "SurveyRequest", typedef: "SurveyRequest"},

	{v: wire.PlanObject{}, schema: "AlignedPlan", typedef: "PlanObject"},
	{v: wire.PlannedObject{}, schema: "PlannedSetting", typedef: "PlannedSetting"},
	{v: wire.RunnerUpObject{}, schema: "RunnerUp", typedef: "RunnerUp"},
	{v: wire.CycleObject{}, schema: "Cycle", typedef: "Cycle"},
	{v: wire.DialChange{}, schema: "DialChange", typedef: "DialChange"},
	{v: wire.EfficiencyObject{}, schema: "Efficiency", typedef: "EfficiencyDB"},
	{v: wire.Promise{}, schema: "Promise", typedef: "PlanPromise"},
	{v: wire.LedgerRow{}, schema: "LedgerRow", typedef: "LedgerRow"},
	{v: wire.CombObject{}, schema: "Comb", typedef: "Comb"},
	{v: wire.SlopesObject{}, schema: "Slopes", typedef: "Slopes"},
	{v: wire.Complex{}, schema: "Complex", typedef: "Complex"},
	{v: wire.DelayCurve{}, schema: "DelayCurve", typedef: "DelayCurve"},
	{v: wire.Cells{}, schema: "Cells", typedef: "Cells"},
	{v: wire.AlignSeat{}, schema: "AlignSeat", typedef: "AlignSeat"},
	{v: wire.Align{}, schema: "Align", typedef: "Align"},
	{v: wire.PlanChoice{}, schema: "PlanChoice", typedef: "PlanChoice"},
	{v: wire.PlanRequest{}, schema: "PlanRequest", typedef: "PlanRequest"},
	{v: wire.PlanSeat{}, schema: "PlanSeat", typedef: "PlanSeat"},
	{v: wire.StoredPlan{}, schema: "StoredPlan", typedef: "StoredPlan"},
	{v: wire.DialRequest{}, schema: "DialRequest", typedef: "DialRequest"},
	{v: wire.VerifyRequest{}, schema: "VerifyRequest", typedef: "VerifyRequest"},

	{v: wire.SlidingLevel{}, typedef: "SlidingLevel"},
	{v: wire.LimitStatus{}, schema: "LimitStatus", typedef: "LimitStatus"},
	{v: wire.SoundLevel{}, schema: "SoundLevel", typedef: "SoundLevel"},
	{v: wire.LevelLog{}, schema: "LevelLog", typedef: "LevelLogState"},
	{v: wire.SoundLevels{}, schema: "SoundLevels", typedef: "SoundLevels"},
	{v: wire.LevelMark{}, typedef: "LevelMark"},
	{v: wire.LevelHistoryChannel{}, typedef: "LevelHistoryChannel"},
	{v: wire.LevelHistory{}, schema: "LevelHistory", typedef: "LevelHistory"},
	{v: wire.LimitProfile{}, schema: "LimitProfile", typedef: "LimitProfile"},
	{v: wire.EventAudioPatch{}, schema: "EventAudioPatch", typedef: "EventAudioPatch"},
	{v: wire.LimitRequest{}, schema: "LimitRequest", typedef: "LimitRequest"},
	{v: wire.Limits{}, schema: "Limits", typedef: "Limits"},
	{v: wire.LimitsPatch{}, schema: "LimitsPatch", typedef: "LimitsPatch"},
	{v: wire.Calibration{}, schema: "Calibration", typedef: "Calibration"},
	{v: wire.Calibrations{}, schema: "Calibrations", typedef: "Calibrations"},
	{v: wire.CalibrationRequest{}, schema: "CalibrationRequest", typedef: "CalibrationRequest"},
	{v: wire.CalibrationUndo{}, schema: "CalibrationUndo", typedef: "CalibrationUndo"},
	{v: wire.Setup{}, schema: "Setup", typedef: "Setup"},
	{v: wire.AudioDevice{}, schema: "AudioDevice", typedef: "AudioDevice"},
	{v: wire.SourceChoice{}, schema: "SourceChoice", typedef: "SourceChoice"},
	{v: wire.SetupInput{}, schema: "SetupInput", typedef: "SetupInput"},
	{v: wire.SetupCheck{}, schema: "SetupCheck", typedef: "SetupCheck"},
	{v: wire.Loopback{}, schema: "Loopback", typedef: "Loopback"},
	{v: wire.WatchChange{}, schema: "WatchChange", typedef: "WatchChange"},
	{v: wire.WatchedPart{}, typedef: "WatchedPart"},
	{v: wire.Watch{}, schema: "Watch", typedef: "Watch"},
	{v: wire.Watches{}, schema: "Watches", typedef: "Watches"},
	{v: wire.WatchRequest{}, schema: "WatchRequest", typedef: "WatchRequest"},
	{v: wire.WatchStop{}, schema: "WatchStop", typedef: "WatchStop"},
	{v: wire.Event{}, schema: "Event", typedef: "WatchEvent"},
	{v: wire.EventPatch{}, schema: "EventPatch", typedef: "EventPatch"},
	{v: wire.Events{}, schema: "Events", typedef: "Events"},
}

// Every struct with names for JSON in the packages of the wire is described by
// openapi.yaml and by types.js, by name or in another.
func TestWireTypesAreAllHere(t *testing.T) {
	schemas, typedefs := map[reflect.Type]bool{}, map[reflect.Type]bool{}
	for _, row := range wireTypes {
		if row.schema != "" {
			goShape(t, reflect.TypeOf(row.v), schemas)
		}
		if row.typedef != "" {
			goShape(t, reflect.TypeOf(row.v), typedefs)
		}
	}
	for dir, pkg := range map[string]string{".": "stream", "wire": "wire", "show": "show", "../analyze/setting": "setting"} {
		paths, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, path := range paths {
			if strings.HasSuffix(path, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(file, func(n ast.Node) bool {
				spec, ok := n.(*ast.TypeSpec)
				if !ok {
					return true
				}
				s, ok := spec.Type.(*ast.StructType)
				if !ok || !slices.ContainsFunc(s.Fields.List, func(f *ast.Field) bool { return f.Tag != nil && strings.Contains(f.Tag.Value, `json:"`) }) {
					return true
				}
				found++
				for what, met := range map[string]map[reflect.Type]bool{"openapi.yaml": schemas, "types.js": typedefs} {
					if !slices.ContainsFunc(slices.Collect(maps.Keys(met)), func(m reflect.Type) bool { return m.Name() == spec.Name.Name && strings.HasSuffix(m.PkgPath(), pkg) }) {
						t.Errorf("%s.%s is in no type of the table that %s has", pkg, spec.Name.Name, what)
					}
				}
				return true
			})
		}
		if found == 0 {
			t.Errorf("no types in %s", dir)
		}
	}
}

// openapi.yaml says of every type what Go does: keys, which can be absent, which
// can be null, and the type of each. And it has no others.
func TestOpenAPISaysWhatGoDoes(t *testing.T) {
	all := openAPISchemas(t)
	described := map[string]bool{}
	for _, row := range wireTypes {
		if row.schema == "" {
			continue
		}
		described[row.schema] = true
		said, err := schemaShape(row.schema, all[row.schema], all)
		if err != nil {
			t.Error(err)
			continue
		}
		is := goShape(t, reflect.TypeOf(row.v), map[reflect.Type]bool{})
		if row.body {
			for key, f := range is.fields {
				is.fields[key] = field{f.shape, true}
			}
		}
		is.null = said.null && row.schema == "Levels" // a pointer wherever it is used
		for _, d := range differ(row.schema, is, said, true) {
			t.Error("openapi.yaml: " + d)
		}
	}
	for name := range all {
		if !described[name] {
			t.Errorf("openapi.yaml: no type of the table is a %s", name)
		}
	}
}

// types.js likewise; where one lists the words that a string can be, so does the other.
func TestTypedefsSayWhatGoDoes(t *testing.T) {
	all := typedefs(read(t, "../ui/core/types.js"))
	var named func(name string) (*shape, error)
	named = func(name string) (*shape, error) {
		text, ok := all[name]
		if !ok {
			return nil, fmt.Errorf("there is no type %s", name)
		}
		return parseType(text, named)
	}
	schemas := openAPISchemas(t)
	described := map[string]bool{
		"Values": true, "Position": true, // arrays, of which Go's types have the shape
	}
	for _, row := range wireTypes {
		if row.typedef == "" {
			continue
		}
		described[row.typedef] = true
		said, err := named(row.typedef)
		if err != nil {
			t.Errorf("types.js: %s: %v", row.typedef, err)
			continue
		}
		for _, d := range differ(row.typedef, goShape(t, reflect.TypeOf(row.v), map[reflect.Type]bool{}), said, false) {
			t.Error("types.js: " + d)
		}
		if row.schema != "" {
			if api, err := schemaShape(row.schema, schemas[row.schema], schemas); err == nil {
				sameWords(t, row.typedef, api, said)
			}
		}
	}
	for name := range all {
		if !described[name] {
			t.Errorf("types.js: no type of the table is a %s", name)
		}
	}
}

func sameWords(t *testing.T, at string, a, b *shape) {
	if x, y := slices.Sorted(slices.Values(a.enum)), slices.Sorted(slices.Values(b.enum)); !slices.Equal(x, y) {
		t.Errorf("%s: openapi.yaml has the words %q, types.js has %q", at, x, y)
	}
	if a.elem != nil && b.elem != nil {
		sameWords(t, at+"[]", a.elem, b.elem)
	}
	for key, f := range a.fields {
		if g, ok := b.fields[key]; ok {
			sameWords(t, at+"."+key, f.shape, g.shape)
		}
	}
}

// units end the name of what is no plain count or share.
var units = regexp.MustCompile(`(^|_)(db|dbfs|ms|s|hz|m|deg|c|bytes|samples)$`)

// unitless are the numbers without a unit, and why each has none.
var unitless = map[string]string{
	"coherence": "0…1", "threshold": "a coherence", "confidence": "0…1", "done": "a share", "used": "a share", "correlation": "−1…1",
	"common": "a share", "ripple": "a factor", "overlap": "a share", "absorption": "a share", "error": "a ratio",
	"predicted_error": "a ratio", "measured_error": "a ratio", "effective_averages": "a count that is no whole number",
	"re": "linear, full scale by full scale", "im": "linear, full scale by full scale",
	"frames_per_second": "its name is its unit", "grid": "of the first message, Hz by wire.md; older than the rule",
	"seconds": "its name is its unit",
	"impulse": "linear, full scale by full scale", "points": "pairs of Hz and dB", "gxx": "a spectral density, as its name is in the books", "gyy": "likewise",
	"gxy_real": "likewise", "gxy_imag": "likewise",
	"today": "in efficiency_db", "plan": "in efficiency_db", "runner_up": "in efficiency_db",
}

// The name of a number ends in its unit.
func TestNumbersTellTheirUnit(t *testing.T) {
	met := map[string]bool{}
	var look func(at, key string, s *shape)
	look = func(at, key string, s *shape) {
		if s.elem != nil {
			look(at, key, s.elem)
		}
		for k, f := range s.fields {
			look(at+"."+k, k, f.shape)
		}
		if s.kind == isNumber && !units.MatchString(key) {
			if unitless[key] == "" {
				t.Errorf("%s is a number without a unit", at)
			}
			met[key] = true
		}
	}
	for _, row := range wireTypes {
		look(reflect.TypeOf(row.v).String(), "", goShape(t, reflect.TypeOf(row.v), map[reflect.Type]bool{}))
	}
	for key := range unitless {
		if !met[key] {
			t.Errorf("no number is called %s, which the table excuses", key)
		}
	}
}
