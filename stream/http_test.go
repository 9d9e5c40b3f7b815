package stream

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/gorilla/websocket"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

func TestRefusals(t *testing.T) {
	s := serve(t)
	big := `{"microphones":[` + strings.Repeat("1,", bodyLimit) + `1]}`
	for _, c := range []struct {
		method, path, body string
		header             []string
		status             int
		code, say          string
	}{
		{"PATCH", "/api/v1/settings", `{"reference":9}`, nil, 422, "reference", "channels 1 to 3"},
		{"PATCH", "/api/v1/settings", `{"colour":"red"}`, nil, 400, "unknown_field", "colour"},
		{"PATCH", "/api/v1/settings", `{"reference":"one"}`, nil, 400, "json", "reference cannot be a string"},
		{"PATCH", "/api/v1/settings", `{"reference":1} {}`, nil, 400, "json", "nothing after it"},
		{"PATCH", "/api/v1/settings", `{`, nil, 400, "json", "ends too early"},
		{"PATCH", "/api/v1/settings", big, nil, 413, "too_large", "65536 bytes"},
		{"PATCH", "/api/v1/settings", `{}`, []string{"Content-Type", "text/plain"}, 415, "content_type", "application/json"},
		{"PATCH", "/api/v1/settings", `{}`, []string{"X-Plumbline-Client", strings.Repeat("x", 41)}, 400, "client", "40"},
		{"DELETE", "/api/v1/settings", ``, nil, 405, "method", "use PATCH"},
		{"POST", "/api/v1/state", `{}`, nil, 405, "method", "use GET"},
		{"POST", "/", `{}`, nil, 405, "method", "use GET"},
		{"PATCH", "/api/v1/rig", `{"loudspeakers":{"sub":{}}}`, nil, 422, "loudspeaker", "choose one of fill"},
		{"PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"position_m":[1,2]}}}`, nil, 422, "position_m", "three numbers"},
		{"PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"position_m":[1,2,3,4]}}}`, nil, 422, "position_m", "three numbers"},
		{"PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"position_m":[1,null,3]}}}`, nil, 422, "position_m", "three numbers"},
		{"PATCH", "/api/v1/rig", `[]`, nil, 400, "json", "a JSON object is expected, not an array"},
		{"PATCH", "/api/v1/rig", `null`, nil, 400, "json", "a JSON object is expected, not null"},
		{"PATCH", "/api/v1/settings", ` null `, nil, 400, "json", "a JSON object is expected, not null"},
		{"GET", "/api/v1/nothing", ``, nil, 404, "not_found", "openapi.yaml"},
		{"GET", "/nothing", ``, nil, 404, "not_found", "start at /"},
		{"GET", "/notes.go", ``, nil, 404, "not_found", "start at /"},
		{"GET", "/../../etc/passwd.txt", ``, nil, 400, "path", "straight"},
		{"GET", "/api/v1/frame", ``, nil, 503, "no_frame", "no sound"},
		{"GET", "/api/v1/state", ``, []string{"Host", "venue.example:8737"}, 403, "host", "venue.example"},
		{"GET", "/api/v1/state", ``, []string{"Host", "127.0.0.1.example"}, 403, "host", ""},
		{"GET", "/api/v1/state", ``, []string{"Host", "192.168.1.9:80"}, 403, "host", ""},
		{"GET", "/api/v1/state", ``, []string{"Origin", "http://evil.example"}, 403, "origin", "other origins"},
		{"POST", "/api/v1/reset", ``, []string{"Origin", "null"}, 403, "origin", ""},
		{"PATCH", "/api/v1/settings", `{}`, []string{"Origin", "https://" + s.addr}, 403, "origin", ""},
		{"PATCH", "/api/v1/settings", `{}`, []string{"Origin", "http://127.0.0.1:1"}, 403, "origin", ""},
	} {
		status, body, h := s.do(t, c.method, c.path, c.body, c.header...)
		var got wire.ErrorBody
		if err := json.Unmarshal([]byte(body), &got); err != nil {
			t.Errorf("%s %s: %q is no error object", c.method, c.path, body)
			continue
		}
		if status != c.status || got.Error.Code != c.code || !strings.Contains(got.Error.Text, c.say) || strings.Contains(got.Error.Text, "\n") {
			t.Errorf("%s %s: %d %s %q, want %d %s with %q", c.method, c.path, status, got.Error.Code, got.Error.Text, c.status, c.code, c.say)
		}
		if status == 405 && h.Get("Allow") == "" {
			t.Errorf("%s %s: no Allow", c.method, c.path)
		}
	}
	if got := s.op.State().Settings; got.Reference != 1 || got.Smoothing != 48 {
		t.Errorf("a refused request changed the settings: %+v", got)
	}
}

func TestHostsThatAreThisMachine(t *testing.T) {
	for host, want := range map[string]bool{
		"127.0.0.1": true, "127.0.0.1:8737": true, "127.8.8.8:1": true, "localhost": true, "LocalHost:8737": true,
		"[::1]:8737": true, "[::1]": true, "": false, "0.0.0.0:8737": false, "localhost.example": false, "[::2]": false, "a:b:c": false,
	} {
		if got := localHost(host); got != want {
			t.Errorf("%q: %v", host, got)
		}
	}
}

func TestForeignPageCannotConnect(t *testing.T) {
	s := serve(t)
	for _, h := range []http.Header{
		{"Origin": {"http://evil.example"}},
		{"Host": {"evil.example"}},
	} {
		conn, res, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live", h)
		if err == nil {
			conn.Close()
			t.Fatalf("%v connected", h)
		}
		if res.StatusCode != 403 {
			t.Errorf("%v: status %d", h, res.StatusCode)
		}
	}
}

func TestChangeReachesEveryClient(t *testing.T) {
	s := serve(t)
	pages := []*page{s.open(t), s.open(t)}
	for _, p := range pages {
		p.until("verdict")
	}
	status, body, _ := s.do(t, "PATCH", "/api/v1/settings", `{"smoothing":6,"averaging":{"seconds":0.5}}`, "X-Plumbline-Client", "c1", "Origin", "http://"+s.addr)
	if status != 200 {
		t.Fatal(status, body)
	}
	for _, p := range pages {
		m, _ := p.until("state")
		state := m["state"].(map[string]any)
		if got := state["settings"].(map[string]any)["smoothing"]; got != 6.0 || state["changed_by"] != "c1" {
			t.Errorf("smoothing %v by %v", got, state["changed_by"])
		}
	}
	if status, body, _ := s.do(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"polarity":"opposite"}}}`); status != 200 {
		t.Fatal(status, body)
	}
	for _, p := range pages {
		m, _ := p.until("rig")
		l := m["rig"].(map[string]any)["loudspeakers"].([]any)[0].(map[string]any)
		if l["polarity"] != "opposite" {
			t.Errorf("polarity %v", l["polarity"])
		}
	}
	if status, _, _ := s.do(t, "POST", "/api/v1/reset", ``, "X-Plumbline-Client", "c2"); status != 204 || s.op.reset != "c2" {
		t.Errorf("reset: %d by %q", status, s.op.reset)
	}
	for _, p := range pages {
		if m, _ := p.until("notice"); m["text"] != "Averages start afresh." || m["by"] != "c2" {
			t.Errorf("notice %v", m)
		}
	}
}

func TestFrameAsObject(t *testing.T) {
	s := serve(t)
	s.Publish(frametest.New(1))
	status, body, h := s.do(t, "GET", "/api/v1/frame", "")
	var o wire.Object
	if err := json.Unmarshal([]byte(body), &o); err != nil || status != 200 || h.Get("Content-Type") != "application/json" {
		t.Fatal(status, err)
	}
	m := o.Microphones[0]
	if o.Source != "small hall" || m.DelayMs != 23.42 || m.Polarity.Verdict != "same" || len(m.MagnitudeDB) != len(m.FrequencyHz) ||
		m.Arrivals[0].DistanceM < 8.03 || m.Arrivals[0].DistanceM > 8.05 || !strings.Contains(o.Verdict, "23.42 ms") {
		t.Errorf("%.300s", body)
	}
	if _, body, _ = s.do(t, "GET", "/api/v1/verdict", ""); !strings.Contains(body, `"about":"arrival:1"`) {
		t.Error(body)
	}
	if status, body, _ = s.do(t, "GET", "/api/v1/health", ""); status != 200 || !strings.Contains(body, `"status":"ok"`) {
		t.Error(body)
	}
}

func TestNoRig(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	for _, method := range []string{"GET", "PATCH"} {
		status, body := local(s, method, "/api/v1/rig")
		if status != 404 || !strings.Contains(body, "plumbline demo") {
			t.Errorf("%s: %d %s", method, status, body)
		}
	}
}

func TestPagesAndFiles(t *testing.T) {
	s := serve(t)
	for _, path := range pages {
		status, body, h := s.do(t, "GET", path, "")
		if status != 200 || !strings.Contains(body, "<title>plumbline") || h.Get("Content-Type") != "text/html; charset=utf-8" {
			t.Errorf("%s: %d %s", path, status, h.Get("Content-Type"))
		}
		csp := h.Get("Content-Security-Policy")
		if !strings.HasPrefix(csp, "default-src 'self'") || strings.Contains(csp, "unsafe") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %v", path, h)
		}
	}
	status, body, h := s.do(t, "GET", "/app.js", "")
	if status != 200 || body != "export const x = 1;" || h.Get("Content-Type") != "text/javascript; charset=utf-8" {
		t.Errorf("%d %s %s", status, body, h.Get("Content-Type"))
	}
	status, body, again := s.do(t, "GET", "/app.js", "", "If-None-Match", h.Get("ETag"))
	if status != 304 || body != "" || again.Get("ETag") != h.Get("ETag") {
		t.Errorf("%d %q", status, body)
	}
	if status, body, _ = s.do(t, "HEAD", "/app.js", ""); status != 200 || body != "" {
		t.Errorf("HEAD: %d %q", status, body)
	}
}

func TestListenAddresses(t *testing.T) {
	for _, bad := range []string{"8737", "127.0.0.1", "1:2:3:4", ""} {
		if l, err := Listen(t.Context(), bad); err == nil || !strings.Contains(err.Error(), "127.0.0.1") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, %v", bad, l, err)
		}
	}
}

// A server that asks for no token serves this computer alone, whoever calls Run.
func TestNobodyServesANetworkWithoutTokens(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	l, err := Listen(t.Context(), "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	if Loopback(l) {
		t.Errorf("%s is no loopback", l.Addr())
	}
	if err := s.Run(t.Context(), l); err == nil || !strings.Contains(err.Error(), "token") {
		t.Error(err)
	}
	if _, err := l.Accept(); err == nil {
		t.Error("it still listens")
	}
}

func TestBusyPort(t *testing.T) {
	l, err := Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, err = Listen(t.Context(), l.Addr().String())
	port := strings.TrimPrefix(l.Addr().String(), "127.0.0.1:")
	if want := fmt.Sprintf("port %s is taken, perhaps by another plumbline: end that, or try --listen 127.0.0.1:0", port); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestTooManyClients(t *testing.T) {
	op := newOperator()
	s, err := New(Config{Operator: op, MaxClients: 1})
	if err != nil {
		t.Fatal(err)
	}
	s.clients.Store(&[]*client{newClient("c1", here, nil)})
	if status, body := local(s, "GET", "/api/v1/live"); status != 503 || !strings.Contains(body, "close one") {
		t.Errorf("%d %s", status, body)
	}
}
