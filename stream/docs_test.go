package stream

import (
	"net/http/httptest"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// local serves a request without a socket.
func local(s *Server, method, path string) (int, string) {
	r := httptest.NewRequest(method, path, strings.NewReader("{}"))
	r.Host = "127.0.0.1:8737"
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func read(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The routes of the server and the paths of openapi.yaml are the same.
func TestOpenAPIHasEveryRoute(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, r := range s.apiRoutes() {
		want = append(want, r.method+" "+r.path)
	}
	var got []string
	path := ""
	for line := range strings.Lines(read(t, "openapi.yaml")) {
		if m := regexp.MustCompile(`^  (/\S+):$`).FindStringSubmatch(line[:len(line)-1]); m != nil {
			path = m[1]
		} else if m := regexp.MustCompile(`^    (get|post|put|patch|delete):$`).FindStringSubmatch(line[:len(line)-1]); m != nil {
			got = append(got, strings.ToUpper(m[1])+" "+path)
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("openapi.yaml has\n%s\nthe server has\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if status, body := local(s, "GET", "/api/v1/openapi.yaml"); status != 200 || body != read(t, "openapi.yaml") {
		t.Errorf("served: %d", status)
	}
}

// schemas are the Go types behind those of openapi.yaml.
var schemas = map[string]any{
	"Error": wire.ErrorBody{}, "State": wire.State{}, "Settings": wire.Settings{}, "SettingsPatch": wire.SettingsPatch{},
	"Levels": wire.LevelsObject{}, "Frame": wire.Object{}, "Microphone": wire.Microphone{}, "Verdict": wire.Verdict{}, "Caution": wire.Caution{},
	"Rig": wire.RigScene{}, "RigPatch": wire.RigPatch{}, "Health": healthObject{},
	"Show": wire.Show{}, "ShowEntry": show.Entry{}, "Loudspeaker": show.Loudspeaker{}, "Seat": show.Seat{}, "Plan": show.Plan{}, "Note": show.Note{},
	"Correction": show.Correction{}, "LogEntry": show.LogEntry{}, "Undo": undoObject{}, "Take": show.Take{}, "TakeRequest": TakeRequest{},
	"TakePatch": show.TakePatch{}, "TakeCurve": curveObject{},
	"Survey": wire.Survey{}, "SurveyRequest": wire.SurveyRequest{}, "Align": wire.Align{}, "AlignSeat": wire.AlignSeat{}, "AlignedPlan": wire.PlanObject{}, "PlannedSetting": wire.PlannedObject{}, "RunnerUp": wire.RunnerUpObject{}, "Cycle": wire.CycleObject{}, "Slopes": wire.SlopesObject{}, "Promise": wire.Promise{},
	"Efficiency": wire.EfficiencyObject{}, "DialChange": wire.DialChange{}, "Dial": wire.Dial{}, "LedgerRow": wire.LedgerRow{}, "Comb": wire.CombObject{},
	"Complex": wire.Complex{}, "Cells": wire.Cells{}, "DelayCurve": wire.DelayCurve{}, "PlanRequest": wire.PlanRequest{}, "PlanChoice": wire.PlanChoice{}, "StoredPlan": wire.StoredPlan{},
	"PlanSeat": wire.PlanSeat{}, "DialRequest": wire.DialRequest{}, "VerifyRequest": wire.VerifyRequest{}, "Verification": wire.Verification{},
	"SoundLevels": wire.SoundLevels{}, "SoundLevel": wire.SoundLevel{}, "LevelLog": wire.LevelLog{}, "LevelHistory": wire.LevelHistory{}, "LimitProfile": wire.LimitProfile{},
	"Limits": wire.Limits{}, "LimitsPatch": wire.LimitsPatch{}, "LimitStatus": wire.LimitStatus{}, "CalibrationRequest": wire.CalibrationRequest{}, "CalibrationUndo": wire.CalibrationUndo{},
	"Calibration": wire.Calibration{}, "Calibrations": wire.Calibrations{}, "Watches": wire.Watches{}, "WatchRequest": wire.WatchRequest{}, "WatchStop": wire.WatchStop{},
	"Watch": wire.Watch{}, "WatchChange": wire.WatchChange{}, "Event": wire.Event{}, "EventPatch": wire.EventPatch{}, "Events": wire.Events{},
}

// Every JSON key of a schema's Go type stands in openapi.yaml's schema, and the
// other way round.
func TestOpenAPIHasEveryKey(t *testing.T) {
	_, text, _ := strings.Cut(read(t, "openapi.yaml"), "\n  schemas:\n")
	blocks := map[string]string{}
	name := ""
	for line := range strings.Lines(text) {
		if m := regexp.MustCompile(`^    (\w+):$`).FindStringSubmatch(strings.TrimRight(line, "\n")); m != nil {
			name = m[1]
		} else {
			blocks[name] += line
		}
	}
	// Anchors of YAML: what an alias stands for belongs to the block that has it.
	for from, anchor := range map[string]string{"Settings": "*settings", "Rig": "*loudspeaker"} {
		for to := range blocks {
			if strings.Contains(blocks[to], anchor) {
				blocks[to] += blocks[from]
			}
		}
	}
	for name, v := range schemas {
		block, ok := blocks[name]
		if !ok {
			t.Errorf("openapi.yaml has no schema %s", name)
			continue
		}
		keys := map[string]bool{}
		collect(reflect.TypeOf(v), keys, true)
		for key := range keys {
			if !regexp.MustCompile(`(?m)^\s+` + key + `:`).MatchString(block) {
				t.Errorf("schema %s lacks %s", name, key)
			}
		}
		delete(blocks, name)
		if name == "RigPatch" || name == "SettingsPatch" {
			continue // they share the blocks of what they patch
		}
		deep := map[string]bool{}
		collect(reflect.TypeOf(v), deep, false)
		for _, m := range regexp.MustCompile(`(?m)^\s+([a-z_]+):`).FindAllStringSubmatch(block, -1) {
			if vocabulary := "type properties items description oneOf additionalProperties"; !deep[m[1]] && !slices.Contains(strings.Fields(vocabulary), m[1]) {
				t.Errorf("schema %s has %s, which Go does not", name, m[1])
			}
		}
	}
	for name := range blocks {
		t.Errorf("openapi.yaml has a schema %s that no Go type stands for", name)
	}
}

// collect gathers the JSON keys of a type and of the types in it; with refs it
// leaves out those that are schemas of their own.
func collect(typ reflect.Type, keys map[string]bool, refs bool) {
	switch typ.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Array:
		collect(typ.Elem(), keys, refs)
	case reflect.Struct:
		for i := range typ.NumField() {
			f := typ.Field(i)
			key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if f.Anonymous {
				collect(f.Type, keys, refs)
				continue
			}
			if key == "-" {
				continue
			}
			keys[key] = true
			inner := f.Type
			for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
				inner = inner.Elem()
			}
			own := false
			for _, v := range schemas {
				own = own || reflect.TypeOf(v) == inner
			}
			if !refs || !own {
				collect(f.Type, keys, refs)
			}
		}
	}
}

// wire.md has every message type with its keys and every curve, and no others.
func TestWirePageIsComplete(t *testing.T) {
	page := read(t, "wire.md")
	section := func(title string) string {
		_, rest, ok := strings.Cut(page, "\n## "+title+"\n")
		if !ok {
			t.Fatalf("wire.md has no section %q", title)
		}
		rest, _, _ = strings.Cut(rest, "\n## ")
		return rest
	}
	rows := func(text string) map[string]string {
		m := map[string]string{}
		for line := range strings.Lines(text) {
			if cells := strings.Split(line, " | "); strings.HasPrefix(line, "| `") {
				m[strings.Trim(cells[0], "| `")] = line
			}
		}
		return m
	}
	for title, messages := range map[string]map[string]any{
		"Text messages from the daemon": {"hello": wire.Hello{}, "state": wire.StateMessage{}, "rig": wire.RigMessage{}, "show": wire.ShowMessage{}, "survey": wire.SurveyMessage{}, "levels": wire.LevelsMessage{}, "watch": wire.WatchMessage{}, "event": wire.EventMessage{}, "verdict": wire.Verdict{}, "notice": wire.Notice{}, "ask": wire.Ask{}},
		"Text messages to the daemon":   {"ack": wire.ClientMessage{}, "want": wire.ClientMessage{}, "here": wire.Ask{}},
	} {
		got := rows(section(title))
		for name, v := range messages {
			row, ok := got[name]
			if !ok {
				t.Errorf("%s: no row %s", title, name)
			}
			typ := reflect.TypeOf(v)
			for i := range typ.NumField() {
				key, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
				mine := name != "ack" && key != "seq" || name == "ack" && key == "seq"
				if key != "type" && mine && !strings.Contains(row, "`"+key+"`") {
					t.Errorf("%s: %s lacks %s", title, name, key)
				}
			}
			delete(got, name)
		}
		for name := range got {
			t.Errorf("%s: %s is no message", title, name)
		}
	}

	documented := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\| (\d+) \| ([A-Z]\w+) \|`).FindAllStringSubmatch(section("Frame"), -1) {
		documented[m[2]] = m[1]
	}
	inGo := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\t(\w+)\s+CurveID = (\d+)`).FindAllStringSubmatch(read(t, "wire/frame.go"), -1) {
		inGo[m[1]] = m[2]
	}
	if len(inGo) != 18 || !reflect.DeepEqual(documented, inGo) {
		t.Errorf("wire.md has %v, Go has %v", documented, inGo)
	}
	if !strings.Contains(page, "Version "+strconv.Itoa(wire.Version)+";") {
		t.Error("wire.md tells another version")
	}
	// The abouts that sentences use.
	source := read(t, "verdict/sentence.go")
	for _, m := range regexp.MustCompile(`(?:about\(|return )"([a-z]+)(:|")`).FindAllStringSubmatch(source, -1) {
		if !strings.Contains(page, "`"+m[1]+"`") && !strings.Contains(page, "`"+m[1]+":N`") {
			t.Errorf("wire.md lacks the part about %q", m[1])
		}
	}
}
