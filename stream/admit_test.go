package stream

import (
	"bytes"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/access"
)

// gated is the configuration of a server that asks for tokens, and two that it knows.
func gated(t *testing.T) (cfg Config, tokens *access.Tokens, viewer, operator string) {
	t.Helper()
	tokens, err := access.OpenTokens(filepath.Join(t.TempDir(), "tokens.json"))
	if err != nil {
		t.Fatal(err)
	}
	if viewer, err = tokens.Add("viewer", access.Viewer); err != nil {
		t.Fatal(err)
	}
	if operator, err = tokens.Add("operator", access.Operator); err != nil {
		t.Fatal(err)
	}
	return Config{Operator: newOperator(), UI: testUI, Gate: access.NewGate(tokens), Hosts: []string{"mixer"}}, tokens, viewer, operator
}

// ask serves a request from an address without a socket.
func ask(s *Server, from, method, target string, header ...string) *http.Response {
	r := httptest.NewRequest(method, target, strings.NewReader("{}"))
	r.RemoteAddr = from + ":1234"
	r.Host = "127.0.0.1:8737"
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w.Result()
}

func bearer(secret string) []string { return []string{"Authorization", "Bearer " + secret} }

// Every route is in the table of roles or needs an operator; what the table has is a
// route that reads; and a viewer is refused exactly the others.
func TestRolesOfRoutes(t *testing.T) {
	cfg, _, viewer, _ := gated(t)
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	operators := []string{"GET /api/v1/show/file", "GET /api/v1/show/takes/{id}/export/{format}", "GET /api/v1/events/{id}/audio.wav"} // of what reads
	known := map[string]bool{"GET /": true}
	for _, r := range s.apiRoutes() {
		name := r.method + " " + r.path
		known[name] = true
		want := access.Operator
		if r.method == "GET" && !slices.Contains(operators, name) {
			want = access.Viewer
		}
		if got := needs(r); got != want {
			t.Errorf("%s needs a role %s, want %s: put it in its table", name, got, want)
		}
		path := strings.NewReplacer("{id}", "1", "{format}", "csv").Replace(r.path)
		if refused := ask(s, "192.0.2.1", r.method, path, bearer(viewer)...).StatusCode == http.StatusForbidden; refused != (want == access.Operator) {
			t.Errorf("%s: a viewer is refused: %v", name, refused)
		}
	}
	for name := range viewing {
		if !known[name] {
			t.Errorf("%s has a role and is no route", name)
		}
	}
	if got := needs(route{method: "GET", path: "/api/v1/to-come"}); got != access.Operator {
		t.Errorf("a route to come needs %s", got)
	}
}

// A link is opened once: its token goes into a cookie that scripts and other sites do not
// get, and out of the address.
func TestLinkBecomesACookie(t *testing.T) {
	cfg, _, viewer, operator := gated(t)
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	res := ask(s, "192.0.2.1", "GET", "/listen?mic=2&token="+viewer)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/listen?mic=2" || res.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("%d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	c := res.Cookies()
	if len(c) != 1 || c[0].Name != "plumbline-8737" || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Secure || c[0].Path != "/" || c[0].Domain != "" || c[0].MaxAge <= 0 {
		t.Fatalf("cookies %v", c)
	}
	cookie := []string{"Cookie", c[0].Name + "=" + c[0].Value}
	res = ask(s, "192.0.2.1", "GET", "/listen", cookie...)
	if page, err := io.ReadAll(res.Body); err != nil || res.StatusCode != http.StatusOK || !strings.Contains(string(page), `<html data-role="viewer" lang="en">`) {
		t.Errorf("with the cookie: %d %s", res.StatusCode, page) // the page knows from the start what it may show
	}
	if res := ask(s, "192.0.2.1", "POST", "/api/v1/reset", cookie...); res.StatusCode != http.StatusForbidden {
		t.Errorf("a viewer's cookie: %d", res.StatusCode)
	}
	// Another role by another link; and an old link, for who has a cookie.
	if res := ask(s, "192.0.2.1", "GET", "/?token="+operator, cookie...); res.StatusCode != http.StatusSeeOther || res.Cookies()[0].Value != operator {
		t.Errorf("another link: %d, %v", res.StatusCode, res.Cookies())
	}
	if res := ask(s, "192.0.2.1", "GET", "/?token=old", cookie...); res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/" {
		t.Errorf("an old link: %d", res.StatusCode)
	}
	// Nothing in a link leads elsewhere.
	if res := ask(s, "192.0.2.1", "GET", "/%09/evil.example?token="+viewer); res.StatusCode == http.StatusSeeOther {
		t.Errorf("led to %q", res.Header.Get("Location"))
	}
	// By a link on another site's page the cookie comes only with the step after.
	res = ask(s, "192.0.2.1", "GET", "/?token="+viewer, "Sec-Fetch-Site", "cross-site")
	if res.StatusCode != http.StatusOK || res.Header.Get("Refresh") != "0; url=/" || len(res.Cookies()) != 1 {
		t.Errorf("from elsewhere: %d, refresh %q", res.StatusCode, res.Header.Get("Refresh"))
	}
	// People are told in words.
	res = ask(s, "192.0.2.1", "GET", "/align", "Accept", "text/html,*/*")
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusUnauthorized || !strings.Contains(string(text), "<p>This daemon asks for a token") || strings.Contains(string(text), "<script") || strings.Contains(string(text), "style=") {
		t.Errorf("%d %s, %v", res.StatusCode, text, err)
	}
}

// Over TLS the cookie goes over nothing else, and no other page of this machine may set it.
func TestCookieOverTLS(t *testing.T) {
	cfg, _, viewer, _ := gated(t)
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("GET", "https://127.0.0.1:8737/?token="+viewer, nil)
	r.TLS = &tls.ConnectionState{}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	if c := w.Result().Cookies(); len(c) != 1 || !c[0].Secure || c[0].Name != "__Host-plumbline-8737" {
		t.Errorf("cookies %v", c)
	}
	for origin, want := range map[string]int{"https://127.0.0.1:8737": 200, "http://127.0.0.1:8737": 403} {
		r := httptest.NewRequest("GET", "https://127.0.0.1:8737/api/v1/state", nil)
		r.TLS = &tls.ConnectionState{}
		r.Header.Set("Origin", origin)
		r.Header.Set("Authorization", "Bearer "+viewer)
		w := httptest.NewRecorder()
		if s.ServeHTTP(w, r); w.Code != want {
			t.Errorf("from %s: %d", origin, w.Code)
		}
	}
}

// A network's client may call this computer by its addresses and its names.
func TestHostsOnANetwork(t *testing.T) {
	cfg, _, viewer, _ := gated(t)
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]int{"mixer": 200, "MIXER:8737": 200, "mixer.": 200, "mixer.evil.example": 403, "localhost": 200, "203.0.113.9:8737": 403, "": 403}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range addresses {
		want[net.JoinHostPort(a.(*net.IPNet).IP.String(), "8737")] = 200
	}
	for host, status := range want {
		if res := ask(s, "192.0.2.1", "GET", "/api/v1/state", append(bearer(viewer), "Host", host)...); res.StatusCode != status {
			t.Errorf("%q: %d, want %d", host, res.StatusCode, status)
		}
	}
}

// Whoever guesses waits; who is right, at the same address and meanwhile, does not; and
// the end of the server ends the waiting.
func TestGuessesAreHeldAndRightOnesAreNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg, _, viewer, _ := gated(t)
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		answers := make(chan *http.Response, 50)
		for i := range 50 {
			go func() { answers <- ask(s, "192.0.2.1", "GET", "/api/v1/state", bearer(fmt.Sprint("guess ", i))...) }()
		}
		synctest.Wait()
		if res := ask(s, "192.0.2.1", "GET", "/api/v1/state", bearer(viewer)...); res.StatusCode != http.StatusOK || !time.Now().Equal(began) {
			t.Errorf("who is right: %d after %v", res.StatusCode, time.Since(began))
		}
		got := map[int]int{}
		for range 50 {
			got[(<-answers).StatusCode]++
		}
		if got[401] != 5 || got[429] != 45 || time.Since(began) != 3*time.Second {
			t.Errorf("answers %v in %v, want five times 401 and the rest 429 within 3 s", got, time.Since(began))
		}
		go func() { answers <- ask(s, "192.0.2.1", "GET", "/api/v1/state", bearer("guess")...) }()
		synctest.Wait()
		held := time.Now()
		close(s.ending)
		if res := <-answers; res.StatusCode != http.StatusTooManyRequests || res.Header.Get("Retry-After") == "" || !time.Now().Equal(held) {
			t.Errorf("at the end: %d after %v", res.StatusCode, time.Since(held))
		}
	})
}

// Each address has its share of requests a second, whatever they are.
func TestRequestsAreLimitedByAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg, _, viewer, _ := gated(t)
		log := new(lockedBuffer)
		cfg.Logger = slog.New(slog.NewTextHandler(log, nil))
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		count := func(from string, n int) (refused int) {
			for range n {
				if res := ask(s, from, "GET", "/api/v1/health", bearer(viewer)...); res.StatusCode == http.StatusTooManyRequests {
					if res.Header.Get("Retry-After") != "1" {
						t.Fatal("not told when to come again")
					}
					refused++
				}
			}
			return refused
		}
		if n := count("192.0.2.1", networkAtOnce+150); n != 150 {
			t.Errorf("%d of 150 too many are refused", n)
		}
		if n := count("192.0.2.2", networkAtOnce); n != 0 {
			t.Errorf("of another address %d are refused", n)
		}
		if lines := strings.Count(log.String(), "why=rate"); lines != refusalsAtOnce {
			t.Errorf("%d lines for 150 refusals", lines)
		}
		time.Sleep(time.Second)
		if n := count("192.0.2.1", networkPerSecond+1); n != 1 {
			t.Errorf("a second later %d of %d are refused", n, networkPerSecond+1)
		}
		if text := log.String(); !strings.Contains(text, "others_unsaid=50") {
			t.Errorf("what was not said is not summed up: %.300s", text[len(text)-300:])
		}
	})
}

// An address that holds all the connections it may have gets no further one.
func TestConnectionsAreLimitedByAddress(t *testing.T) {
	cfg, _, viewer, _ := gated(t)
	log := new(lockedBuffer)
	cfg.Logger = slog.New(slog.NewTextHandler(log, nil))
	s := serveConfig(t, "127.0.0.1:0", cfg)
	var open []net.Conn
	for range connectionsOfOne {
		c, err := net.Dial("tcp", s.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		open = append(open, c)
	}
	waitFor(t, "all of them", func() bool { s.peers.mu.Lock(); defer s.peers.mu.Unlock(); return len(s.peers.of) == connectionsOfOne })
	c, err := net.Dial("tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if n, _ := c.Read(make([]byte, 1)); n != 0 {
		t.Error("one more is answered")
	}
	waitFor(t, "the log", func() bool { return strings.Contains(log.String(), "too many connections") })
	for _, c := range open {
		c.Close()
	}
	waitFor(t, "their end", func() bool {
		s.peers.mu.Lock()
		defer s.peers.mu.Unlock()
		return len(s.peers.of)+len(s.peers.num) == 0
	})
	if status, _, _ := s.do(t, "GET", "/api/v1/state", "", bearer(viewer)...); status != http.StatusOK {
		t.Errorf("afterwards: %d", status)
	}
	if text := log.String(); strings.Contains(text, "no whole request") {
		t.Errorf("who says nothing is no hostile one: %s", text)
	}
}

// Whose token is removed is let go, with a word; the others stay. The hello says the role.
func TestRemovedTokenEndsItsConnections(t *testing.T) {
	cfg, tokens, viewer, operator := gated(t)
	s := serveConfig(t, "127.0.0.1:0", cfg)
	dial := func(secret string) *page {
		conn, _, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live", http.Header{"Authorization": {"Bearer " + secret}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		return &page{t, conn}
	}
	stays, goes := dial(operator), dial(viewer)
	if m, _ := stays.until("hello"); m["role"] != "operator" {
		t.Errorf("hello %v", m)
	}
	if m, _ := goes.until("hello"); m["role"] != "viewer" {
		t.Errorf("hello %v", m)
	}
	if err := tokens.Remove("viewer"); err != nil {
		t.Fatal(err)
	}
	for {
		_, _, err := goes.conn.ReadMessage()
		if err == nil {
			continue
		}
		if !websocket.IsCloseError(err, websocket.ClosePolicyViolation) || !strings.Contains(err.Error(), "token was removed") {
			t.Error(err)
		}
		break
	}
	s.Notice("still here", "")
	stays.until("notice")
}

// However many viewers come, an operator finds room.
func TestViewersLeaveRoomForAnOperator(t *testing.T) {
	cfg, _, viewer, operator := gated(t)
	cfg.MaxClients = 2 * operatorsShare
	s := serveConfig(t, "127.0.0.1:0", cfg)
	dial := func(secret string) int {
		conn, res, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live", http.Header{"Authorization": {"Bearer " + secret}})
		if err != nil && res == nil {
			t.Fatal(err)
		}
		if err == nil {
			t.Cleanup(func() { conn.Close() })
		}
		return res.StatusCode
	}
	for i := range cfg.MaxClients - 2 {
		if status := dial(viewer); status != http.StatusSwitchingProtocols {
			t.Fatalf("viewer %d: %d", i+1, status)
		}
		waitFor(t, "the viewer", func() bool { return s.Stats().Clients == i+1 })
	}
	if status := dial(viewer); status != http.StatusServiceUnavailable {
		t.Errorf("one more viewer: %d", status)
	}
	if status := dial(operator); status != http.StatusSwitchingProtocols {
		t.Errorf("an operator: %d", status)
	}
}

// A body that trickles is given up and answered, not a fault of the daemon.
func TestSlowBodyIsAnswered(t *testing.T) {
	log := new(bytes.Buffer)
	s, err := New(Config{Operator: newOperator(), Logger: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("PATCH", "http://127.0.0.1/api/v1/settings", late{})
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	if w.Code != http.StatusRequestTimeout || strings.Count(log.String(), "\n") != 1 || !strings.Contains(log.String(), "why=slow") {
		t.Errorf("%d %s, logged is %s", w.Code, w.Body, log)
	}
}

// late is a body of which nothing comes before the connection's deadline.
type late struct{}

func (late) Read([]byte) (int, error) {
	here, there := net.Pipe()
	defer there.Close()
	here.SetReadDeadline(time.Unix(1, 0))
	return here.Read(make([]byte, 1))
}
