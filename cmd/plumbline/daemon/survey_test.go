package daemon

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/analyze/response"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// hall is a daemon on a virtual rig with a show, as demo runs it.
type hall struct {
	t     *testing.T
	d     *Daemon
	url   string
	shelf *show.Shelf
	scene rig.Scene
}

func newHall(t *testing.T, scene rig.Scene) *hall {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	x, err := shelf.New("test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := shelf.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := Furnish(x, scene); err != nil {
		t.Fatal(err)
	}
	src, err := rig.New(scene, rig.Config{Pace: !raced.Detector, Patient: true}) // a busy machine would lose samples
	if err != nil {
		t.Fatal(err)
	}
	d, url := daemonUnderTest(t, Config{Source: src, Rig: src, Shelf: shelf})
	return &hall{t, d, url, shelf, scene}
}

// do makes a request as client by and decodes the answer into to.
func (h *hall) do(method, path, by string, body, to any) (status int, text string) {
	h.t.Helper()
	var data []byte
	if body != nil {
		var err error
		if data, err = json.Marshal(body); err != nil {
			h.t.Fatal(err)
		}
	}
	req, err := http.NewRequestWithContext(h.t.Context(), method, h.url+path, bytes.NewReader(data))
	if err != nil {
		h.t.Fatal(err)
	}
	req.Close = true
	req.Header.Set("X-Plumbline-Client", by)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	if to != nil && res.StatusCode == http.StatusOK {
		if err := json.Unmarshal(answer, to); err != nil {
			h.t.Fatalf("%s: %v: %.200s", path, err, answer)
		}
	}
	return res.StatusCode, string(answer)
}

// must is do that succeeds.
func (h *hall) must(method, path, by string, body, to any) {
	h.t.Helper()
	if status, text := h.do(method, path, by, body, to); status != http.StatusOK && status != http.StatusNoContent {
		h.t.Fatalf("%s %s: %d %s", method, path, status, text)
	}
}

// walker is a page that stays until it is closed: it reads what it is sent.
type walker struct {
	name    string
	conn    *websocket.Conn
	surveys chan wire.Survey // the newest
	ended   chan struct{}
}

func (h *hall) walk() *walker {
	h.t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(h.url, "http")+"/api/v1/live", nil)
	if err != nil {
		h.t.Fatal(err)
	}
	w := &walker{conn: conn, surveys: make(chan wire.Survey, 4096), ended: make(chan struct{})}
	named := make(chan string, 1)
	go func() {
		defer close(w.ended)
		for {
			kind, data, err := conn.ReadMessage()
			if err != nil {
				return
			}
			if kind != websocket.TextMessage {
				continue
			}
			var m struct {
				Type   string      `json:"type"`
				Client string      `json:"client"`
				Survey wire.Survey `json:"survey"`
			}
			if json.Unmarshal(data, &m) != nil {
				continue
			}
			switch m.Type {
			case wire.TypeHello:
				select {
				case named <- m.Client:
				default:
				}
			case wire.TypeAsk:
				conn.WriteJSON(wire.ClientMessage{Type: wire.TypeHere})
			case wire.TypeSurvey:
				w.surveys <- m.Survey
			}
		}
	}()
	h.t.Cleanup(func() { conn.Close(); <-w.ended })
	w.name = <-named
	return w
}

// until reads surveys up to the first that ok takes, and returns all.
func (w *walker) until(t *testing.T, what string, ok func(wire.Survey) bool) (seen []wire.Survey) {
	t.Helper()
	limit := time.After(3 * time.Minute)
	for {
		select {
		case v := <-w.surveys:
			seen = append(seen, v)
			if ok(v) {
				return seen
			}
		case <-limit:
			t.Fatalf("never: %s; last: %+v", what, seen[max(0, len(seen)-1):])
		}
	}
}

func over(v wire.Survey) bool {
	return v.State == wire.SurveyDone || v.State == wire.SurveyFailed || v.State == wire.SurveyStopped
}

// The whole job on the demo's fault: survey, plan, dial in, verify; and what a
// verification says of a plan that was not dialled in.
func TestSurveyPlanDialVerifyInRealTime(t *testing.T) {
	raced.NotFor(t, "minutes of analysis; what runs at once in a survey does in TestDeadMan")
	t.Parallel()
	h := newHall(t, rig.Demo())
	w := h.walk()
	before := h.d.rig.Rig()
	request := map[string]any{"seat": 1, "main": "main", "fill": "fill"}
	h.must("POST", "/api/v1/survey", w.name, request, nil)
	if status, text := h.do("POST", "/api/v1/survey", w.name, request, nil); status != http.StatusConflict || !strings.Contains(text, "running") {
		t.Errorf("a second survey: %d %s", status, text)
	}
	seen := w.until(t, "the survey to end", over)
	last := seen[len(seen)-1]
	if last.State != wire.SurveyDone || len(last.Takes) != 3 {
		t.Fatalf("%+v", last)
	}
	for _, v := range seen {
		if v.Running() && float64(v.LevelDBFS) > wire.DefaultCapDBFS {
			t.Errorf("%g dBFS is above the cap", float64(v.LevelDBFS))
		}
		if v.Text == "" || !v.Running() && v.State == wire.SurveyMeasuring {
			t.Errorf("nothing is said: %+v", v)
		}
	}
	after := h.d.rig.Rig()
	after.Revision, after.ChangedBy = before.Revision, before.ChangedBy
	if !equalJSON(t, after, before) {
		t.Errorf("the rig was left as\n%+v\nnot as\n%+v", after, before)
	}
	h.checkTakes(last.Takes)

	var a wire.Align
	h.must("GET", "/api/v1/align?main=main&fill=fill", w.name, nil, &a)
	// The fill comes later than the main by the difference of the direct ways.
	late := 1000 * (h.scene.ArrivalS(1, 0) - h.scene.ArrivalS(0, 0))
	if a.Plan == nil || len(a.Seats) != 1 {
		t.Fatalf("%+v", a)
	}
	if a.Plan.Wait != "A" || math.Abs(a.Plan.DelayMs-late) > 0.1 || a.Plan.PolarityB != "opposite" {
		t.Errorf("plan %+v, want the main to wait %.3f ms and the fill turned", *a.Plan, late)
	}
	if s := a.Seats[0]; math.Abs(float64(s.OffsetMs)-late) > 0.1 || s.Polarity != "opposite" || s.Predicted {
		t.Errorf("offset %g ms, polarity %s, predicted %v", float64(s.OffsetMs), s.Polarity, s.Predicted)
	}
	sum := float64(a.Seats[0].IdealGainDB)
	for _, row := range a.Seats[0].Ledger {
		sum += float64(row.ChangeDB)
	}
	if math.Abs(sum-float64(a.Seats[0].GainDB)) > 1e-9 {
		t.Errorf("the ledger adds up to %.12f dB, not to %.12f dB", sum, float64(a.Seats[0].GainDB))
	}
	if rest := a.Seats[0].Ledger[5]; math.Abs(float64(rest.ChangeDB)) > 0.2 {
		t.Errorf("measured and predicted sum are %+.2f dB apart in a quiet room", float64(rest.ChangeDB))
	}

	var plan wire.StoredPlan
	h.must("POST", "/api/v1/align/plan", w.name, map[string]any{"main": "main", "fill": "fill"}, &plan)
	verify := func() wire.Verification {
		t.Helper()
		h.must("POST", "/api/v1/align/verify", w.name, map[string]any{"plan": plan.ID, "seat": 1}, nil)
		w.until(t, "the verification to begin", func(v wire.Survey) bool { return v.Purpose == wire.PurposeVerify && v.Running() })
		seen := w.until(t, "the verification to end", over)
		last := seen[len(seen)-1]
		if last.State != wire.SurveyDone || last.Verification == nil {
			t.Fatalf("%+v", last)
		}
		t.Log(last.Verification.Text)
		return *last.Verification
	}
	if v := verify(); v.Pass || v.Polarity != "opposite" || math.Abs(float64(v.DelayErrorMs)-late) > 0.1 ||
		!strings.Contains(v.Text, "polarity") || !strings.Contains(v.Text, "too late") {
		t.Errorf("nothing was dialled in: %+v", v.Text)
	}
	h.must("POST", "/api/v1/align/dial", w.name, map[string]any{"plan": plan.ID}, nil)
	for _, l := range h.d.rig.Rig().Loudspeakers {
		if l.Name == "fill" && (math.Abs(l.DelayMs-(12-late)) > 0.1 || l.Polarity != "same") || l.Name == "main" && l.DelayMs != 0 {
			t.Errorf("dialled in: %+v", l)
		}
	}
	if v := verify(); !v.Pass || math.Abs(float64(v.DifferenceDB)) > 0.3 || math.Abs(float64(v.DelayErrorMs)) > 0.05 || v.Polarity != "same" {
		t.Errorf("the plan is dialled in: %+v", v)
	}
	// Today is what is dialled in: the sum that proved it, and not those that were taken
	// with other settings; and there is nothing more to gain.
	var again wire.Align
	h.must("GET", "/api/v1/align?main=main&fill=fill", w.name, nil, &again)
	if proof := seen[len(seen)-1].Takes[0] + 4; again.Seats[0].TakeBoth != proof {
		t.Errorf("take %d counts as today's sum, want %d", again.Seats[0].TakeBoth, proof)
	}
	if s := again.Seats[0]; again.Promise.Worth || s.Polarity != "same" || math.Abs(float64(s.OffsetMs)) > 0.1 ||
		math.Abs(float64(s.HeadsDB-a.Seats[0].HeadsPlanDB)) > 0.05 || math.Abs(float64(again.Efficiency.Today-a.Efficiency.Plan)) > 0.05 {
		t.Errorf("dialled in, today is %.2f dB over the louder one, %.2f dB promised; offset %.2f ms, polarity %s; %s", s.HeadsDB, a.Seats[0].HeadsPlanDB, s.OffsetMs, s.Polarity, again.Promise.Text)
	}
}

// checkTakes looks at what was stored: each take can be analysed again from its
// own audio, to the same result.
func (h *hall) checkTakes(ids []int64) {
	t := h.t
	t.Helper()
	x, err := h.shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	for i, id := range ids {
		take, err := x.Take(id)
		if err != nil {
			t.Fatal(err)
		}
		var spectra response.Spectra
		if err := x.Spectra(id, &spectra); err != nil {
			t.Fatal(err)
		}
		audio, err := x.TakeAudio(id)
		if err != nil || audio == nil {
			t.Fatal(err)
		}
		est, err := response.NewEstimator(response.Config{SampleRateHz: 48000, Window: spectra.Window, Overlap: spectra.Overlap, Averaging: response.Averaging{Mode: response.Infinite}})
		if err != nil {
			t.Fatal(err)
		}
		if err := est.SetDelay(0, spectra.DelayS); err != nil {
			t.Fatal(err)
		}
		var ref, mic []float64
		for k := 0; k < len(audio.Samples); k += 2 {
			ref, mic = append(ref, float64(audio.Samples[k])), append(mic, float64(audio.Samples[k+1]))
		}
		est.Feed(ref, [][]float64{mic})
		var again response.Spectra
		est.Spectra(0, &again)
		for k := range spectra.FrequencyHz {
			if d := spectra.Gxy[k] - again.Gxy[k]; math.Hypot(real(d), imag(d)) > 1e-9*math.Sqrt(spectra.Gxx[k]*spectra.Gyy[k]) {
				t.Fatalf("take %d: at %g Hz its audio gives %v, not %v", id, spectra.FrequencyHz[k], again.Gxy[k], spectra.Gxy[k])
			}
		}
		if len(take.Results.Arrivals) == 0 || take.Settings == nil || take.Reference != 1 || take.Microphone != 2 || take.Seat != 1 {
			t.Errorf("take %d: %+v", id, take)
		}
		if i < 2 {
			want := 1000 * h.scene.ArrivalS(i, 0)
			if math.Abs(take.DelayMs-want) > 0.3 { // the box adds its own
				t.Errorf("take %d: delay %.3f ms, the direct way takes %.3f ms", id, take.DelayMs, want)
			}
		}
	}
}

// Without the page that started it a survey is silent within 0.3 s, and what
// was before is put back.
func TestDeadMan(t *testing.T) {
	t.Parallel()
	h := newHall(t, rig.Demo())
	before := h.d.rig.Rig()
	if status, text := h.do("POST", "/api/v1/survey", "nobody", map[string]any{"seat": 1, "main": "main", "fill": "fill"}, nil); status != http.StatusConflict || !strings.Contains(text, "connect") {
		t.Errorf("without a page: %d %s", status, text)
	}
	w := h.walk()
	watch := h.walk()
	h.must("POST", "/api/v1/survey", w.name, map[string]any{"seat": 1, "main": "main", "fill": "fill"}, nil)
	w.until(t, "sound", func(v wire.Survey) bool { return v.State == wire.SurveyMeasuring })
	if status, text := h.do("PATCH", "/api/v1/rig", watch.name, map[string]any{"programme": map[string]any{"level_dbfs": 0}}, nil); status != http.StatusConflict {
		t.Errorf("the level can be raised past the cap: %d %s", status, text)
	}
	w.conn.Close()
	seen := watch.until(t, "the end", over)
	if last := seen[len(seen)-1]; last.State != wire.SurveyStopped || !strings.Contains(last.Text, "gone") {
		t.Errorf("%+v", last)
	}
	after := h.d.rig.Rig()
	after.Revision, after.ChangedBy = before.Revision, before.ChangedBy
	if !equalJSON(t, after, before) {
		t.Errorf("the rig was left as %+v", after)
	}
	x, err := h.shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	if takes, err := x.Takes(show.Filter{}); err != nil || len(takes) != 0 {
		t.Errorf("%d takes of an unfinished survey, %v", len(takes), err)
	}
}

// A file that the scene names can be played, but none can be named from outside.
func TestAProgrammeFileCannotBeNamedFromOutside(t *testing.T) {
	h := newHall(t, rig.Demo())
	path := filepath.Join(t.TempDir(), "secret.wav")
	for _, body := range []map[string]any{
		{"programme": map[string]any{"file": path}},
		{"programme": map[string]any{"kind": "file", "file": path}},
		{"programme": map[string]any{"kind": "file"}},
	} {
		if status, text := h.do("PATCH", "/api/v1/rig", "c1", body, nil); status != http.StatusBadRequest && status != http.StatusUnprocessableEntity {
			t.Errorf("%v: %d %s", body, status, text)
		}
	}
	if p := h.d.rig.Rig().Programme; p.Kind != "pink" || p.File != "" {
		t.Errorf("the programme is %+v", p)
	}
}
