package stream

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/wire"
)

// surveyor notes what it is asked.
type surveyor struct {
	asked []any
	by    string
	state wire.Survey
}

func (s *surveyor) Survey() wire.Survey { return s.state }

func (s *surveyor) Trace() wire.SurveyTrace {
	return wire.SurveyTrace{Step: 2, Playing: []string{"fill"}, Microphones: []wire.MicrophoneTrace{{Microphone: 2, FrequencyHz: []float64{100}, MagnitudeDB: wire.Values{-3}, LowDB: wire.Values{float32(math.NaN())}}}}
}

func (s *surveyor) StartSurvey(_ context.Context, r wire.SurveyRequest, by string) (wire.Survey, error) {
	s.asked, s.by = append(s.asked, r), by
	return s.state, nil
}

func (s *surveyor) AnswerSurvey(_ context.Context, a wire.SurveyAnswer, by string) (wire.Survey, error) {
	s.asked, s.by = append(s.asked, a), by
	return wire.Survey{State: wire.SurveyMeasuring, Text: "stored where " + a.Store}, nil
}

func (s *surveyor) StopSurvey(_ context.Context, by string) (wire.Survey, error) {
	s.asked, s.by = append(s.asked, "stop"), by
	return s.state, nil
}

func (s *surveyor) Align(_ context.Context, q wire.AlignQuery) (wire.Align, error) {
	s.asked = append(s.asked, q)
	return wire.Align{Main: q.Main}, nil
}

func (s *surveyor) StorePlan(_ context.Context, r wire.PlanRequest, by string) (wire.StoredPlan, error) {
	s.asked, s.by = append(s.asked, r), by
	return wire.StoredPlan{ID: 4}, nil
}

func (s *surveyor) DialPlan(_ context.Context, r wire.DialRequest, by string) (wire.StoredPlan, error) {
	s.asked, s.by = append(s.asked, r.Plan), by
	return wire.StoredPlan{}, &Error{Code: "no_rig", Text: "only a virtual rig is dialled in from here", Status: http.StatusConflict}
}

func (s *surveyor) VerifyPlan(_ context.Context, r wire.VerifyRequest, by string) (wire.Survey, error) {
	s.asked, s.by = append(s.asked, r), by
	return s.state, nil
}

func TestSurveyOverHTTP(t *testing.T) {
	op := &surveyor{state: wire.Survey{State: wire.SurveyIdle, Text: "nothing yet", LevelDBFS: wire.Unknown(), Playing: []string{}, Takes: []int64{}, Plays: []string{}}}
	s := serveConfig(t, "127.0.0.1:0", Config{Survey: op, Align: op})
	for _, c := range []struct {
		method, path, body string
		status             int
		want               string
	}{
		{"GET", "/api/v1/survey", ``, 200, `"level_dbfs":null`},
		{"POST", "/api/v1/survey", `{"seat":2,"main":"main","fill":"fill"}`, 200, `"nothing yet"`},
		{"POST", "/api/v1/survey", `{"seat":2,"main":"main","fill":"main"}`, 422, "two different"},
		{"POST", "/api/v1/survey", `{"seat":2,"main":"main","fill":"fill","level_dbfs":-10}`, 422, "above the cap of -20"},
		{"POST", "/api/v1/survey", `{"seat":2,"main":"main","fill":"fill","level_dbfs":-3,"cap_dbfs":0}`, 422, "between -60 and -6"},
		{"POST", "/api/v1/survey", `{"seat":2,"main":"main","fill":"fill","loud":true}`, 400, "unknown field"},
		{"GET", "/api/v1/survey/trace", ``, 200, `"frequency_hz":[100],"magnitude_db":[-3],"low_db":[null]`},
		{"POST", "/api/v1/survey/answer", `{"store":"found"}`, 200, "stored where found"},
		{"POST", "/api/v1/survey/answer", `{"store":"elsewhere"}`, 422, `not \"elsewhere\"`},
		{"POST", "/api/v1/survey/answer", `{}`, 422, `\"found\", at the \"chosen\" one`},
		{"POST", "/api/v1/survey/stop", ``, 200, "nothing yet"},
		{"GET", "/api/v1/align?main=main&fill=fill&low_hz=80&high_hz=4000&aim=worst&gain=1", ``, 200, `"main":"main"`},
		{"GET", "/api/v1/align?main=main&fill=fill&low_hz=much", ``, 400, "number of hertz"},
		{"GET", "/api/v1/align?main=main&fill=fill&spread_m=wide", ``, 400, "number of metres"},
		{"GET", "/api/v1/align?main=main&fill=fill&spread_m=0.005", ``, 422, "0.01 to 0.5 m, not 0.005"},
		{"GET", "/api/v1/align?main=main&fill=fill&spread_m=0", ``, 200, `"main":"main"`},
		{"GET", "/api/v1/align?main=main&fill=fill&low_hz=800&high_hz=80", ``, 422, "low_hz must be below high_hz, which is 80, not 800"},
		{"GET", "/api/v1/align?main=main&fill=fill&aim=best", ``, 422, "worst"},
		{"GET", "/api/v1/align?main=main&fill=fill&colour=red", ``, 400, `no \"colour\"`},
		{"GET", "/api/v1/align?main=main", ``, 422, "name two"},
		{"POST", "/api/v1/align/plan", `{"main":"main","fill":"fill"}`, 200, `"id":4`},
		{"POST", "/api/v1/align/plan", `{"main":"main","fill":"fill","plan":{"wait":"C"}}`, 422, `\"A\"`},
		{"POST", "/api/v1/align/dial", `{"plan":4}`, 409, "virtual rig"},
		{"POST", "/api/v1/align/dial", `{}`, 422, "which plan"},
		{"POST", "/api/v1/align/verify", `{"plan":4,"seat":2}`, 200, "nothing yet"},
		{"POST", "/api/v1/align/verify", `{"seat":2}`, 422, "which plan"},
	} {
		op.asked, op.by = nil, ""
		status, text, _ := s.do(t, c.method, c.path, c.body, "X-Plumbline-Client", "c7", "Content-Type", "application/json")
		if status != c.status || !strings.Contains(text, c.want) {
			t.Errorf("%s %s %s: %d %s", c.method, c.path, c.body, status, text)
		}
		if asked := len(op.asked) == 1; asked != (status == 200 && !strings.HasPrefix(c.path, "/api/v1/survey") || status == 409 || status == 200 && c.method == "POST") {
			t.Errorf("%s %s %s: asked %v", c.method, c.path, c.body, op.asked)
		}
		if c.method == "POST" && status == 200 && op.by != "c7" {
			t.Errorf("%s: by %q", c.path, op.by)
		}
	}
	q, err := alignQuery(url.Values{"main": {"a"}, "fill": {"b"}, "gain": {"1"}, "low_hz": {"80"}, "high_hz": {"400"}})
	spread := wire.DefaultSpreadM
	if want := (wire.AlignQuery{Main: "a", Fill: "b", Gain: true, LowHz: 80, HighHz: 400, Aim: wire.AimMean, SpreadM: &spread}); err != nil || !reflect.DeepEqual(q, want) {
		t.Errorf("%+v, %v", q, err)
	}

	p := s.open(t)
	if m, _ := p.until("survey"); m["survey"].(map[string]any)["state"] != "idle" {
		t.Errorf("%v", m)
	}
	op.state.State, op.state.Revision = wire.SurveyRamping, 2
	s.SurveyChanged(op.state)
	if m, _ := p.until("survey"); m["survey"].(map[string]any)["state"] != "ramping" {
		t.Errorf("%v", m)
	}

	plain := serve(t)
	for _, path := range []string{"/api/v1/survey", "/api/v1/align?main=a&fill=b"} {
		if status, text, _ := plain.do(t, "GET", path, ""); status != 404 || !strings.Contains(text, "--show FILE") {
			t.Errorf("%s: %d %s", path, status, text)
		}
	}
}

// A link tells within a moment that its client has gone, and that it does not
// answer though it is connected.
func TestLink(t *testing.T) {
	s := serve(t)
	if _, ok := s.Link("c1"); ok {
		t.Error("nobody is linked")
	}
	p := s.open(t)
	hello, _ := p.until("hello")
	name := hello["client"].(string)
	link, ok := s.Link(name)
	if !ok {
		t.Fatal("the client is not found")
	}
	defer link.Close()
	// Nobody reads, so nobody answers pings.
	quiet := func() bool {
		before := link.Heard()
		time.Sleep(4 * linkedPing) // what does not happen has no condition to wait for
		return link.Heard() == before
	}
	waitFor(t, "one who does not read to be silent", quiet) // what it answered before is on its way
	read := make(chan struct{})
	var alive atomic.Bool
	go func() { // reading answers them, as a browser does; the rest is its page's
		defer close(read)
		for {
			_, data, err := p.conn.ReadMessage()
			if err != nil {
				return
			}
			if alive.Load() && bytes.Contains(data, []byte(`"ask"`)) {
				p.conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"here"}`))
			}
		}
	}()
	before, said := link.Heard(), link.Answered()
	waitFor(t, "answers", func() bool { return link.Heard() > before+10 })
	if link.Answered() != said {
		t.Error("a page that hangs is taken for alive")
	}
	alive.Store(true)
	waitFor(t, "the page to answer", func() bool { return link.Answered() > said+10 })
	select {
	case <-link.Gone():
		t.Fatal("it has not gone")
	default:
	}
	leave(t, p, link)
	<-read
	waitFor(t, "the client to leave", func() bool { _, ok := s.Link(name); return !ok })
}

// leave closes a client's connection and waits until that is noticed.
func leave(t *testing.T, p *page, link *Link) {
	t.Helper()
	p.conn.Close()
	select {
	case <-link.Gone():
	case <-time.After(3 * time.Minute):
		t.Fatal("it has gone and nobody noticed")
	}
}

// Requests are what Settle makes of them.
func TestSettledRequests(t *testing.T) {
	var r wire.SurveyRequest
	if err := json.Unmarshal([]byte(`{"seats":{"2":1},"main":"a","fill":"b","cap_dbfs":-30}`), &r); err != nil {
		t.Fatal(err)
	}
	if err := r.Settle(); err != nil {
		t.Fatal(err)
	}
	if *r.LevelDBFS != -30 || *r.CapDBFS != -30 || r.Goal != wire.DefaultGoal {
		t.Errorf("level %g, cap %g, %+v", *r.LevelDBFS, *r.CapDBFS, r.Goal)
	}
}
