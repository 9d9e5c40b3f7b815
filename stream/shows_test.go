package stream

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// taker captures the same take whenever it is asked.
type taker struct{}

func (taker) Take(_ context.Context, r TakeRequest) (show.Take, *response.Spectra, *show.Audio, error) {
	if r.Microphone == 9 {
		return show.Take{}, nil, nil, &Error{Code: "microphone", Text: "channel 9 is no microphone here"}
	}
	s := &response.Spectra{SampleRateHz: 48000, Overlap: 0.75, DelayS: 0.02, AveragedS: 4, FrequencyHz: frametest.Curve(63, 14000).FrequencyHz}
	for range s.FrequencyHz {
		s.Gxx = append(s.Gxx, 1)
		s.Gyy = append(s.Gyy, 0.3)
		s.Gxy = append(s.Gxy, -0.5)
		s.EffectiveAverages = append(s.EffectiveAverages, 40)
	}
	return show.Take{Source: "small hall", Note: "no arrival: too faint", Reference: 1, Microphone: 2, TemperatureC: 20}, s,
		&show.Audio{SampleRateHz: 48000, Channels: []int{1, 2}, Samples: []float32{1, 2, 3, 4}}, nil
}

// serveShows is a server with a folder of shows, none open.
func serveShows(t *testing.T) *server {
	t.Helper()
	shelf, err := show.NewShelf(filepath.Join(t.TempDir(), "shows"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := shelf.Close(); err != nil {
			t.Error(err)
		}
	})
	return serveConfig(t, "127.0.0.1:0", Config{Shelf: shelf, Takes: taker{}, DecodeWAV: func(data []byte) (float64, []float64, error) {
		if !bytes.HasPrefix(data, []byte("RIFF")) {
			return 0, nil, errors.New("this is no WAV file")
		}
		return 48000, []float64{0, 0, 1, 0}, nil
	}})
}

// call makes a request that must be answered by that status, and decodes it.
func call[T any](t *testing.T, s *server, status int, method, path, body string) (v T) {
	t.Helper()
	got, text, _ := s.do(t, method, path, body, "X-Plumbline-Client", "c7")
	if got != status {
		t.Fatalf("%s %s: %d %s, want %d", method, path, got, text, status)
	}
	if text != "" {
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Fatalf("%s %s: %q: %v", method, path, text, err)
		}
	}
	return v
}

func TestShowOverHTTP(t *testing.T) {
	s := serveShows(t)
	p := s.open(t)
	if m, _ := p.until("show"); m["show"] != nil {
		t.Errorf("a show is open: %v", m)
	}
	call[any](t, s, 404, "GET", "/api/v1/show", "")
	info := call[show.Info](t, s, 200, "POST", "/api/v1/shows", `{"name":"The hall / August"}`)
	if info.Name != "The hall / August" || info.File != "The hall - August.plumbline" {
		t.Errorf("%+v", info)
	}
	main := call[show.Loudspeaker](t, s, 200, "POST", "/api/v1/show/loudspeakers", `{"name":"main","role":"main","channel":1}`)
	fill := call[show.Loudspeaker](t, s, 200, "POST", "/api/v1/show/loudspeakers", `{"name":"fill","role":"fill"}`)
	seat := call[show.Seat](t, s, 200, "POST", "/api/v1/show/seats", `{"name":"row 12","position_m":[10,8,1.2]}`)
	moved := call[show.Seat](t, s, 200, "PATCH", fmt.Sprintf("/api/v1/show/seats/%d", seat.ID), `{"note":"pillar"}`)
	if moved.Name != "row 12" || moved.Note != "pillar" || moved.PositionM == nil || moved.ID != seat.ID {
		t.Errorf("%+v", moved)
	}
	take := call[show.Take](t, s, 200, "POST", "/api/v1/show/takes", fmt.Sprintf(`{"name":"both","seat":%d,"loudspeakers":[%d,%d]}`, seat.ID, main.ID, fill.ID))
	if take.Seat != seat.ID || len(take.Loudspeakers) != 2 || take.By != "c7" || take.Origin != show.Measured || take.Audio.Frames != 2 || take.DelayMs != 20 {
		t.Errorf("%+v", take)
	}
	path := fmt.Sprintf("/api/v1/show/takes/%d", take.ID)
	renamed := call[show.Take](t, s, 200, "PATCH", path, `{"note":"doors shut"}`)
	if got := call[show.Take](t, s, 200, "GET", path, ""); !reflect.DeepEqual(got, renamed) || got.Note != "doors shut" {
		t.Errorf("%+v", got)
	}
	curve := call[curveObject](t, s, 200, "GET", path+"/curve?smoothing=6", "")
	if n := len(curve.FrequencyHz); n != len(curve.MagnitudeDB) || math.Abs(float64(curve.MagnitudeDB[n/2])-20*math.Log10(0.5)) > 1e-3 || math.Abs(float64(curve.PhaseDeg[n/2])) < 179 {
		t.Errorf("curve %v dB, %v°", curve.MagnitudeDB[len(curve.FrequencyHz)/2], curve.PhaseDeg[0])
	}
	call[show.Plan](t, s, 200, "POST", "/api/v1/show/plans", `{"name":"fill","body":{"delay_ms":7.4}}`)
	call[show.Note](t, s, 200, "POST", "/api/v1/show/notes", `{"kind":"seat","item":1,"text":"rattle"}`)
	call[any](t, s, 204, "POST", "/api/v1/show/log", `{"text":"doors open"}`)

	// Every page heard of it, the newest only.
	waitForPage := func(takes, seats float64) {
		t.Helper()
		for {
			m, _ := p.until("show")
			if i, ok := m["show"].(map[string]any); ok && i["takes"] == takes && i["seats"] == seats && i["notes"] == 1.0 {
				return
			}
		}
	}
	waitForPage(1, 1)

	undo := call[undoObject](t, s, 200, "DELETE", fmt.Sprintf("/api/v1/show/seats/%d", seat.ID), "")
	waitForPage(0, 0)
	list := func(query string) int {
		return len(call[map[string][]show.Take](t, s, 200, "GET", "/api/v1/show/takes"+query, "")["takes"])
	}
	if list("") != 0 || list("?deleted=true") != 1 {
		t.Error("the takes of a deleted seat are there")
	}
	call[any](t, s, 204, "POST", "/api/v1/show/undo", fmt.Sprintf(`{"undo":%d}`, undo.Undo))
	waitForPage(1, 1)
	if list(fmt.Sprintf("?seat=%d&loudspeaker=%d", seat.ID, fill.ID)) != 1 {
		t.Error("undo did not bring the take back")
	}
	log := call[map[string][]show.LogEntry](t, s, 200, "GET", "/api/v1/show/log?limit=2", "")["log"]
	if len(log) != 2 || log[0].Action != "undo" || log[1].Action != "delete" || !log[1].Undone || log[0].By != "c7" {
		t.Errorf("%+v", log)
	}

	// A copy, and back and forth between the two.
	call[map[string]string](t, s, 200, "POST", "/api/v1/show/copy", `{"name":"copy"}`)
	call[any](t, s, 409, "POST", "/api/v1/show/copy", `{"name":"copy"}`)
	shows := call[map[string][]show.Entry](t, s, 200, "GET", "/api/v1/shows", "")["shows"]
	if len(shows) != 2 {
		t.Errorf("%+v", shows)
	}
	if got := call[show.Info](t, s, 200, "POST", "/api/v1/show/open", `{"file":"copy.plumbline"}`); got.Takes != 1 || got.Name != "The hall / August" {
		t.Errorf("%+v", got)
	}
	if got := call[show.Info](t, s, 200, "PATCH", "/api/v1/show", `{"name":"The copy"}`); got.Name != "The copy" {
		t.Errorf("%+v", got)
	}
	call[show.Info](t, s, 200, "POST", "/api/v1/show/open", `{"file":"The hall - August.plumbline"}`)

	status, file, h := s.do(t, "GET", "/api/v1/show/file", "")
	if status != 200 || !strings.HasPrefix(file, "SQLite format 3\x00") || !strings.Contains(h.Get("Content-Disposition"), "The hall - August.plumbline") {
		t.Errorf("file: %d %v", status, h)
	}
	downloaded := filepath.Join(t.TempDir(), "downloaded.plumbline")
	if err := os.WriteFile(downloaded, []byte(file), 0o644); err != nil {
		t.Fatal(err)
	}
	x, err := show.Open(downloaded)
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	if got, err := x.TakeAudio(take.ID); err != nil || len(got.Samples) != 4 {
		t.Errorf("the downloaded show: %v, %v", got, err)
	}
}

// The audio of an event is deleted and brought back; the show says how much there is.
func TestEventAudioOverHTTP(t *testing.T) {
	s := serveShows(t)
	call[any](t, s, 200, "POST", "/api/v1/shows", `{"name":"x"}`)
	x, err := s.cfg.Shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	e, err := x.AddEvent(wire.Event{At: "2030-05-04T20:41:07Z", Microphone: 2, Text: "flipped"})
	if err == nil {
		_, err = x.AddEventAudio(e.ID, &show.Audio{SampleRateHz: 48000, Channels: []int{1, 2}, Samples: make([]float32, 96000)}, 0.5)
	}
	if err != nil {
		t.Fatal(err)
	}
	const one = "/api/v1/events/1/audio.wav"
	for _, path := range []string{one, "/api/v1/events/audio"} {
		if status, _, _ := s.do(t, "GET", one, ""); status != 200 {
			t.Errorf("before: %d", status)
		}
		undo := call[undoObject](t, s, 200, "DELETE", path, "")
		call[any](t, s, 404, "GET", one, "")
		call[any](t, s, 404, "DELETE", path, "")
		if got := call[wire.Events](t, s, 200, "GET", "/api/v1/events", "").Events[0]; got.Audio.Undo != undo.Undo || got.Text != "flipped" {
			t.Errorf("%+v", got)
		}
		if i := call[show.Info](t, s, 200, "GET", "/api/v1/show", ""); i.EventAudioBytes != 0 || i.DeletedAudioBytes != 384000 {
			t.Errorf("%+v", i)
		}
		call[any](t, s, 204, "POST", "/api/v1/show/undo", fmt.Sprintf(`{"undo":%d}`, undo.Undo))
		if i := call[show.Info](t, s, 200, "GET", "/api/v1/show", ""); i.EventAudioBytes != 384000 || i.DeletedAudioBytes != 0 {
			t.Errorf("%+v", i)
		}
	}
}

// What the measurement has to say of itself is not lost to what people say of it.
func TestTakeKeepsBothNotes(t *testing.T) {
	s := serveShows(t)
	call[any](t, s, 200, "POST", "/api/v1/shows", `{"name":"x"}`)
	for body, want := range map[string]string{
		`{"name":"A"}`:                     "no arrival: too faint",
		`{"name":"A","note":"doors open"}`: "doors open\nno arrival: too faint",
	} {
		if take := call[show.Take](t, s, 200, "POST", "/api/v1/show/takes", body); take.Note != want {
			t.Errorf("%s: note %q, want %q", body, take.Note, want)
		}
	}
}

func TestExchangeOverHTTP(t *testing.T) {
	s := serveShows(t)
	call[any](t, s, 200, "POST", "/api/v1/shows", `{"name":"x"}`)
	take := call[show.Take](t, s, 200, "POST", "/api/v1/show/takes", `{"name":"A"}`)
	path := fmt.Sprintf("/api/v1/show/takes/%d", take.ID)
	export := func(format, contentType string) string {
		t.Helper()
		status, body, h := s.do(t, "GET", path+"/export/"+format, "")
		if status != 200 || !strings.HasPrefix(h.Get("Content-Type"), contentType) || !strings.HasPrefix(h.Get("Content-Disposition"), "attachment") {
			t.Fatalf("%s: %d %v %.100s", format, status, h, body)
		}
		return body
	}
	original := call[curveObject](t, s, 200, "GET", path+"/curve", "")
	for format, contentType := range map[string]string{"csv": "text/csv", "json": "application/json"} {
		body := export(format, contentType)
		status, text, _ := s.do(t, "POST", "/api/v1/show/import/"+format+"?name=again", body, "Content-Type", contentType)
		var back show.Take
		if err := json.Unmarshal([]byte(text), &back); err != nil || status != 200 || back.Origin != show.Imported || back.Name != "again" || back.Results.AssumedAverages {
			t.Fatalf("%s: %d %.200s", format, status, text)
		}
		got := call[curveObject](t, s, 200, "GET", fmt.Sprintf("/api/v1/show/takes/%d/curve", back.ID), "")
		got.Take = original.Take
		if !reflect.DeepEqual(got, original) {
			t.Errorf("%s: the curve came back changed", format)
		}
	}
	if audio := export("audio", "audio/wav"); !strings.HasPrefix(audio, "RIFF") || len(audio) != 58+16 {
		t.Errorf("audio of %d bytes", len(audio))
	}
	impulse := export("wav", "audio/wav")
	if len(impulse) != 58+4*24000 {
		t.Errorf("an impulse response of %d bytes, want 0.5 s", len(impulse))
	}
	status, text, _ := s.do(t, "POST", "/api/v1/show/import/wav?averages=30", impulse, "Content-Type", "audio/wav")
	if status != 200 || !strings.Contains(text, `"assumed_averages":true`) || !strings.Contains(text, `"assumed_temperature":true`) || !strings.Contains(text, `"points":129`) {
		t.Errorf("wav: %d %.300s", status, text)
	}
	status, text, _ = s.do(t, "POST", "/api/v1/show/corrections/import?name=mic%207", "20 -1,5\n1000 0\n", "Content-Type", "text/plain")
	if status != 200 || !strings.Contains(text, `"points":[[20,-1.5],[1000,0]]`) {
		t.Errorf("correction: %d %s", status, text)
	}
}

func TestShowRefusals(t *testing.T) {
	s := serveShows(t)
	call[any](t, s, 200, "POST", "/api/v1/shows", `{"name":"x"}`)
	call[any](t, s, 200, "POST", "/api/v1/show/takes", `{}`)
	for _, c := range []struct {
		method, path, body string
		status             int
		code               string
	}{
		{"POST", "/api/v1/shows", `{"name":"x"}`, 409, "exists"},
		{"POST", "/api/v1/shows", `{"name":""}`, 422, "name"},
		{"POST", "/api/v1/shows", `{"name":"..","path":"/etc"}`, 400, "unknown_field"},
		{"POST", "/api/v1/show/open", `{"file":"../x.plumbline"}`, 422, "file"},
		{"POST", "/api/v1/show/open", `{"file":"/etc/passwd"}`, 422, "file"},
		{"POST", "/api/v1/show/open", `{"file":"none.plumbline"}`, 404, "no_show"},
		{"POST", "/api/v1/show/seats", `{"name":""}`, 422, "name"},
		{"POST", "/api/v1/show/seats", `{"name":"a","colour":1}`, 400, "unknown_field"},
		{"PATCH", "/api/v1/show/seats/1", `{"name":"a"}`, 404, "not_found"},
		{"DELETE", "/api/v1/show/seats/1", ``, 404, "not_found"},
		{"DELETE", "/api/v1/show/seats/x", ``, 404, "not_found"},
		{"PUT", "/api/v1/show/seats/1", `{}`, 405, "method"},
		{"POST", "/api/v1/show/takes", `{"microphone":9}`, 422, "microphone"},
		{"POST", "/api/v1/show/takes", `{"seat":9}`, 404, "not_found"},
		{"GET", "/api/v1/show/takes/9/curve", ``, 404, "not_found"},
		{"GET", "/api/v1/show/takes/1/curve?smoothing=99", ``, 400, "query"},
		{"GET", "/api/v1/show/takes/1/export/mp3", ``, 404, "format"},
		{"GET", "/api/v1/show/takes?seat=front", ``, 400, "query"},
		{"POST", "/api/v1/show/import/mp3", `x`, 404, "format"},
		{"POST", "/api/v1/show/import/csv", `music`, 422, "text"},
		{"POST", "/api/v1/show/import/csv?loudspeakers=a", "1 2\n3 4", 400, "query"},
		{"POST", "/api/v1/show/import/csv?loudspeakers=9", "1 2\n3 4", 404, "not_found"},
		{"POST", "/api/v1/show/import/csv?averages=1", "1 2\n3 4", 400, "query"},
		{"POST", "/api/v1/show/import/wav", "music", 422, "wav"},
		{"POST", "/api/v1/show/import/json", `{"format":"cake"}`, 422, "format"},
		{"POST", "/api/v1/show/undo", `{"undo":1}`, 404, "not_found"},
		{"GET", "/api/v1/show/log?limit=0", ``, 400, "query"},
	} {
		got := call[struct {
			Error Error `json:"error"`
		}](t, s, c.status, c.method, c.path, c.body)
		if got.Error.Code != c.code || got.Error.Text == "" || strings.Contains(got.Error.Text, "\n") {
			t.Errorf("%s %s: %+v, want %s", c.method, c.path, got.Error, c.code)
		}
	}
	if got := call[show.Info](t, s, 200, "GET", "/api/v1/show", ""); got.Takes != 1 || got.Seats != 0 {
		t.Errorf("a refused request left something behind: %+v", got)
	}

	// A daemon without shows says so.
	plain, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	if status, body := local(plain, http.MethodGet, "/api/v1/show/seats"); status != 404 || !strings.Contains(body, "--show FILE") {
		t.Errorf("%d %s", status, body)
	}
}
