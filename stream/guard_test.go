package stream

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"github.com/gorilla/websocket"

	"plumbline/analyze/response"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// lockedBuffer is a log that a test reads while the server writes.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// planner has a fault in it.
type planner struct{ AlignOperator }

func (planner) Align(context.Context, wire.AlignQuery) (wire.Align, error) {
	panic("a fault in the plan")
}

// clumsy captures as taker does, but falls over microphone 7.
type clumsy struct{ taker }

func (c clumsy) Take(ctx context.Context, r TakeRequest) (show.Take, *response.Spectra, *show.Audio, error) {
	if r.Microphone == 7 {
		var none *operator
		none.reset = "nobody"
	}
	return c.taker.Take(ctx, r)
}

func serveFaulty(t *testing.T) (*server, *lockedBuffer) {
	t.Helper()
	shelf, err := show.NewShelf(filepath.Join(t.TempDir(), "shows"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	log := new(lockedBuffer)
	logger := slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelInfo}))
	return serveConfig(t, "127.0.0.1:0", Config{Shelf: shelf, Takes: clumsy{}, Align: planner{}, Logger: logger}), log
}

// A fault of a handler is answered as every error is, on a connection that lives
// on, and logged at Error with where it was; so is one in the report.
func TestPanicsAreAnswered(t *testing.T) {
	s, log := serveFaulty(t)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/shows", `{"name":"hall"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/loudspeakers", `{"name":"main","role":"main"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/loudspeakers", `{"name":"fill"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/takes", `{}`)
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	connections := map[string]bool{}
	for _, c := range []struct{ method, path, body, log string }{
		{"POST", "/api/v1/show/takes", `{"microphone":7}`, "nil pointer dereference"},
		{"GET", "/api/v1/align?main=main&fill=fill", "", "a fault in the plan"},
		{"GET", "/api/v1/show/report", "", "a fault in the plan"},
		{"GET", "/api/v1/state", "", ""},
	} {
		req, err := http.NewRequestWithContext(t.Context(), c.method, "http://"+s.addr+c.path, strings.NewReader(c.body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		res, err := transport.RoundTrip(req)
		if err != nil {
			t.Fatalf("%s: %v: no answer", c.path, err)
		}
		body, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if c.log == "" {
			if res.StatusCode != http.StatusOK {
				t.Errorf("afterwards: %d %s", res.StatusCode, body)
			}
			continue
		}
		var got wire.ErrorBody
		if err := json.Unmarshal(body, &got); err != nil || res.StatusCode != 500 || got.Error.Code != "internal" || !strings.Contains(got.Error.Text, "fault in plumbline") || res.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%s: %d %q, want 500 and an error object", c.path, res.StatusCode, body)
		}
		if text := log.String(); !strings.Contains(text, "level=ERROR") || !strings.Contains(text, c.log) || !strings.Contains(text, "guard_test.go") {
			t.Errorf("%s: logged is %.600s", c.path, text)
		}
		connections[res.Header.Get("Connection")] = true
	}
	if len(connections) != 1 || !connections[""] {
		t.Errorf("a connection was closed: %v", connections)
	}
}

// Half an answer must not look like a whole one.
func TestPanicInTheMiddleCutsTheConnection(t *testing.T) {
	s := serve(t)
	s.mux.HandleFunc("/api/v1/half", func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, strings.Repeat("{", 100000))
		panic("in the middle")
	})
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	req, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+s.addr+"/api/v1/half", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := transport.RoundTrip(req)
	if err == nil {
		_, err = io.ReadAll(res.Body)
		res.Body.Close()
	}
	if err == nil {
		t.Error("half an answer came without an error")
	}
}

// A fault on one client's connection ends that one. The daemon, the other
// clients, and what hangs on the client's presence know it.
func TestPanicOfAClientEndsThatOne(t *testing.T) {
	for side, poison := range map[string]func(*client, *websocket.Conn){
		"writer": func(c *client, _ *websocket.Conn) { c.want.Store(nil); c.wake() },
		"reader": func(c *client, conn *websocket.Conn) {
			c.want.Store(nil)
			conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"want","hidden":false}`))
		},
	} {
		t.Run(side, func(t *testing.T) {
			log := new(lockedBuffer)
			s := serveConfig(t, "127.0.0.1:0", Config{Logger: slog.New(slog.NewTextHandler(log, nil))})
			bad := s.open(t).conn
			if _, _, err := bad.ReadMessage(); err != nil { // it is in the list
				t.Fatal(err)
			}
			good := s.open(t).conn
			c := (*s.clients.Load())[0]
			link, ok := s.Link(c.name)
			if !ok {
				t.Fatal("no client")
			}
			defer link.Close()
			poison(c, bad)
			for {
				if _, _, err := bad.ReadMessage(); err != nil {
					break
				}
			}
			<-link.Gone() // a test signal would end
			for len(*s.clients.Load()) > 1 || !strings.Contains(log.String(), "level=ERROR") {
				runtime.Gosched()
			}
			if text := log.String(); !strings.Contains(text, "level=ERROR") || !strings.Contains(text, fmt.Sprintf("client=%q", c.name)) {
				t.Errorf("logged is %q", text)
			}
			f := frametest.New(1)
			s.Publish(f)
			for {
				kind, _, err := good.ReadMessage()
				if err != nil {
					t.Fatalf("the other client: %v", err)
				}
				if kind == websocket.BinaryMessage {
					break
				}
			}
		})
	}
}

// Other sites' pages may link to the pages and to nothing else; own pages,
// programs and typed addresses may do all. W3C Fetch Metadata Request Headers.
func TestFetchMetadata(t *testing.T) {
	s := serve(t)
	for _, c := range []struct {
		site, path string
		status     int
	}{
		{"cross-site", "/api/v1/state", 403}, {"same-site", "/api/v1/state", 403}, {"cross-site", "/api/v1/show/file", 403},
		{"cross-site", "/api/v1/live", 403}, {"cross-site", "/metrics", 403}, {"anything", "/api/v1/state", 403},
		{"same-origin", "/api/v1/state", 200}, {"none", "/api/v1/state", 200}, {"", "/api/v1/state", 200},
		{"cross-site", "/", 200}, {"same-site", "/listen", 200},
	} {
		var header []string
		if c.site != "" {
			header = []string{"Sec-Fetch-Site", c.site}
		}
		status, body, _ := s.do(t, "GET", c.path, "", header...)
		if status != c.status {
			t.Errorf("%s from %q: %d %.100s, want %d", c.path, c.site, status, body, c.status)
		}
		if status == 403 && !strings.Contains(body, `"code":"cross_site"`) {
			t.Errorf("%s from %q: %s", c.path, c.site, body)
		}
	}
}

// Few heavy requests run at once; one more is told when to come again, and comes.
func TestFewHeavyRequestsAtOnce(t *testing.T) {
	s := serveShows(t)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/shows", `{"name":"hall"}`)
	var ends []*io.PipeWriter
	var done sync.WaitGroup
	for range mostHeavy {
		r, w := io.Pipe()
		ends = append(ends, w)
		done.Go(func() {
			req, err := http.NewRequestWithContext(t.Context(), "POST", "http://"+s.addr+"/api/v1/show/import/csv", r)
			if err != nil {
				t.Error(err)
				return
			}
			req.Close = true
			res, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Error(err)
				return
			}
			res.Body.Close()
			if res.StatusCode != http.StatusOK {
				t.Errorf("an import: %d", res.StatusCode)
			}
		})
		fmt.Fprint(w, "100 -6\n") // returns when the request is being sent
	}
	for len(s.heavy) < mostHeavy {
		runtime.Gosched()
	}
	for path, method := range map[string]string{"/api/v1/show/file": "GET", "/api/v1/show/report": "GET", "/api/v1/show/copy": "POST"} {
		status, body, h := s.do(t, method, path, `{"name":"copy"}`)
		if status != http.StatusServiceUnavailable || h.Get("Retry-After") == "" || !strings.Contains(body, `"code":"busy"`) {
			t.Errorf("%s: %d %s, Retry-After %q", path, status, body, h.Get("Retry-After"))
		}
	}
	if status, body, _ := s.do(t, "GET", "/api/v1/show", ""); status != http.StatusOK {
		t.Errorf("a light request: %d %s", status, body)
	}
	for _, w := range ends {
		fmt.Fprint(w, "200 -6\n")
		w.Close()
	}
	done.Wait()
	if status, body, _ := s.do(t, "GET", "/api/v1/show/report", ""); status != http.StatusOK {
		t.Errorf("afterwards: %d %.200s", status, body)
	}
}

// Each heavy request is a route, so that none is misspelt.
func TestHeavyRequestsAreRoutes(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, r := range s.apiRoutes() {
		known[r.method+" "+r.path] = true
	}
	for r := range heavy {
		if !known[r] {
			t.Errorf("%s is no route", r)
		}
	}
}

// No name, note or text with a control character in it enters, by any door.
func TestControlCharactersStayOutside(t *testing.T) {
	s := serveShows(t)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/shows", `{"name":"hall"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/takes", `{"name":"A"}`)
	status, take, _ := s.do(t, "GET", "/api/v1/show/takes/1/export/json", "")
	if status != http.StatusOK {
		t.Fatal(take)
	}
	for _, bad := range []string{`\u0000`, `\u001b[2J`, `\u0007`, `\u009b`, `\u202e`, `\u2028`} {
		for _, c := range []struct{ method, path, body string }{
			{"POST", "/api/v1/shows", `{"name":"BAD"}`}, {"PATCH", "/api/v1/show", `{"name":"BAD"}`}, {"POST", "/api/v1/show/copy", `{"name":"BAD"}`},
			{"POST", "/api/v1/show/open", `{"file":"BAD.plumbline"}`},
			{"POST", "/api/v1/show/loudspeakers", `{"name":"BAD"}`}, {"POST", "/api/v1/show/loudspeakers", `{"name":"a","role":"BAD"}`}, {"POST", "/api/v1/show/loudspeakers", `{"name":"a","note":"BAD"}`},
			{"POST", "/api/v1/show/seats", `{"name":"BAD"}`}, {"POST", "/api/v1/show/notes", `{"text":"BAD"}`}, {"POST", "/api/v1/show/log", `{"text":"BAD"}`},
			{"POST", "/api/v1/show/plans", `{"name":"BAD","body":{}}`}, {"POST", "/api/v1/show/takes", `{"name":"BAD"}`}, {"POST", "/api/v1/show/takes", `{"note":"BAD"}`},
			{"PATCH", "/api/v1/show/takes/1", `{"name":"BAD"}`}, {"PATCH", "/api/v1/show/takes/1", `{"note":"BAD"}`},
			{"POST", "/api/v1/show/corrections", `{"name":"BAD","points":[[100,1]]}`},
			{"POST", "/api/v1/show/import/json", strings.Replace(take, `"name":"A"`, `"name":"BAD"`, 1)},
			{"POST", "/api/v1/show/import/json", strings.Replace(take, `"source":"small hall"`, `"source":"BAD"`, 1)},
			{"POST", "/api/v1/show/import/json", strings.Replace(take, `"reason":""`, `"reason":"BAD"`, 1)},
		} {
			body := strings.Replace(c.body, "BAD", "x"+bad+"y", 1)
			if !strings.Contains(body, bad) {
				t.Fatalf("%s %s: nothing to spoil in %.300s", c.method, c.path, c.body)
			}
			if status, answer, _ := s.do(t, c.method, c.path, body); status != http.StatusUnprocessableEntity {
				t.Errorf("%s %s %.60s with %s: %d %.200s", c.method, c.path, c.body, bad, status, answer)
			}
		}
	}
	for _, path := range []string{"/api/v1/show/import/csv?name=%1b%5b2J", "/api/v1/show/corrections/import?name=%00"} {
		if status, answer, _ := s.do(t, "POST", path, "100 -6\n200 -6\n"); status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %.200s", path, status, answer)
		}
	}
	if status, _, _ := s.do(t, "POST", "/api/v1/reset", "", "X-Plumbline-Client", "a\u009bb"); status != http.StatusBadRequest {
		t.Errorf("a client's name: %d", status)
	}
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/notes", `{"text":"two\nlines,\tand ümläuts"}`)
}
