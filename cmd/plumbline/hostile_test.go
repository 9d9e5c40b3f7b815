package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/gorilla/websocket"
)

// onNetwork is a demo that other machines could reach, and what its tokens are.
type onNetwork struct {
	service
	host             string // HOST:PORT
	viewer, operator string
	folder           string // of settings, shows and all else that it keeps
}

// startOnNetwork starts one with a folder of its own.
func startOnNetwork(t *testing.T, args ...string) onNetwork {
	t.Helper()
	folder := t.TempDir()
	for _, name := range []string{"XDG_CONFIG_HOME", "XDG_DATA_HOME"} {
		t.Setenv(name, folder)
	}
	n := startBesideOthers(t, "the ", args...)
	n.folder = folder
	return n
}

// startBesideOthers starts one that may run in parallel, and keeps tokens of names that
// begin so where all such tests do.
func startBesideOthers(t *testing.T, names string, args ...string) (n onNetwork) {
	t.Helper()
	for name, secret := range map[string]*string{"viewer": &n.viewer, "operator": &n.operator} {
		var made struct{ Name, Role, Token string }
		if err := json.Unmarshal([]byte(must(t, "token", "add", names+name, "--role", name, "--json")), &made); err != nil || made.Token == "" || made.Role != name {
			t.Fatal(made, err)
		}
		*secret = made.Token
	}
	n.service = start(t, append([]string{"demo", "--listen", "0.0.0.0:0"}, args...)...)
	u, err := url.Parse(n.url)
	if err != nil {
		t.Fatal(err)
	}
	n.host = u.Host
	return n
}

// do makes a request on a connection of its own, follows nothing, and returns the answer.
func (n onNetwork) do(t *testing.T, method, path, body, token string, header ...string) (int, string, http.Header) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, n.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Close = true
	r.Header.Set("Content-Type", "application/json")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
	}
	res, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	return res.StatusCode, string(text), res.Header
}

// raw sends bytes and returns the status of the answer; 0: the connection was closed
// without one.
func (n onNetwork) raw(t *testing.T, text string) int {
	t.Helper()
	c, err := net.Dial("tcp", n.host)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	io.WriteString(c, text) // may be cut off in the middle
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		return 0
	}
	res.Body.Close()
	return res.StatusCode
}

// frames sends bytes on a live connection and returns the code it is closed with.
func (n onNetwork) frames(t *testing.T, send func(net.Conn)) int {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws://"+n.host+"/api/v1/live", http.Header{"Authorization": {"Bearer " + n.operator}})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	send(c.NetConn())
	for {
		if _, _, err := c.ReadMessage(); err != nil {
			if closed, ok := err.(*websocket.CloseError); ok {
				return closed.Code
			}
			return 0
		}
	}
}

// maskedFrame is a frame of a client, with the mask 0.
func maskedFrame(first byte, payload []byte) []byte {
	f := []byte{first, 0x80 | byte(len(payload)), 0, 0, 0, 0}
	if len(payload) > 125 {
		f = []byte{first, 0x80 | 126, byte(len(payload) >> 8), byte(len(payload)), 0, 0, 0, 0}
	}
	return append(f, payload...)
}

// kept is all that the daemon and its files hold that a request could change.
func (n onNetwork) kept(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	for _, path := range []string{"/api/v1/rig", "/api/v1/show/seats", "/api/v1/show/loudspeakers", "/api/v1/show/takes", "/api/v1/show/traces", "/api/v1/show/plans", "/api/v1/show/notes", "/api/v1/show/log", "/api/v1/shows", "/api/v1/limits", "/api/v1/calibration", "/api/v1/survey", "/api/v1/state"} {
		status, text, _ := n.do(t, "GET", path, "", n.operator)
		if status != http.StatusOK {
			t.Fatalf("%s: %d %s", path, status, text)
		}
		switch path {
		case "/api/v1/state": // without what counts up by itself
			var state struct{ Revision, Settings, Changed_by json.RawMessage }
			if err := json.Unmarshal([]byte(text), &state); err != nil || len(state.Settings) == 0 {
				t.Fatal(err)
			}
			text = fmt.Sprintf("%s %s", state.Settings, state.Changed_by)
		case "/api/v1/shows":
			text = regexp.MustCompile(`"(size_bytes|modified_at|changed_at)":[^,}]*`).ReplaceAllString(text, "")
		}
		fmt.Fprintln(&b, path, text)
	}
	err := filepath.WalkDir(n.folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !strings.HasSuffix(path, "-wal") && !strings.HasSuffix(path, "-shm") {
			fmt.Fprintln(&b, path)
		}
		return err
	})
	tokens, readErr := os.ReadFile(filepath.Join(n.folder, "plumbline", "tokens.json"))
	if err != nil || readErr != nil {
		t.Fatal(err, readErr)
	}
	return b.String() + string(tokens)
}

// What strangers on the network, viewers and other sites' pages try is refused, is in the
// log once, without any token, and changes nothing; and who is right is let in at once,
// from the same address.
func TestHostileRequests(t *testing.T) {
	n := startOnNetwork(t, "--empty")
	before := n.kept(t)

	// Headers that trickle, from the beginning to the end of this test.
	slow, err := net.Dial("tcp", n.host)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	io.WriteString(slow, "GET /api/v1/state HTTP/1.1\r\nHost: "+n.host+"\r\nX-A: ")

	const whole = "what came was no whole request"
	sum := sha256.Sum256([]byte(n.operator))
	cookie := func(secret string) []string {
		_, port, _ := net.SplitHostPort(n.host)
		return []string{"Cookie", "plumbline-" + port + "=" + secret}
	}
	socket := []string{"Connection", "Upgrade", "Upgrade", "websocket", "Sec-WebSocket-Version", "13", "Sec-WebSocket-Key", "AAAAAAAAAAAAAAAAAAAAAA=="}
	big := `{"microphones":[` + strings.Repeat("1,", 50000) + `1]}`
	wrong := "b" + n.operator[1:]
	if wrong == n.operator {
		wrong = "c" + n.operator[1:]
	}

	var lines []string // that the log is to have
	for _, c := range []struct {
		method, path, body, token string
		header                    []string
		status                    int
		code                      string
	}{
		{"GET", "/", "", "", nil, 401, "token"},
		{"GET", "/core/api.js", "", "", nil, 401, "token"},
		{"GET", "/metrics", "", "", nil, 401, "token"},
		{"GET", "/api/v1/state", "", "", nil, 401, "token"},
		{"GET", "/api/v1/nothing", "", "", nil, 401, "token"},
		{"GET", "/api/v1/live", "", "", socket, 401, "token"},
		{"POST", "/api/v1/reset", "", "", nil, 401, "token"},
		{"POST", "/api/v1/show/takes", big, "", nil, 401, "token"},
		{"GET", "/api/v1/verdict?token=" + n.operator, "", "", nil, 401, "token"},
		{"GET", "/api/v1/rig", "", "", []string{"Authorization", "Basic " + n.operator}, 401, "token"},
		{"GET", "/api/v1/frame", "", wrong, nil, 401, "wrong_token"},
		{"GET", "/api/v1/health", "", n.operator[1:], nil, 401, "wrong_token"},
		{"GET", "/api/v1/survey", "", hex.EncodeToString(sum[:]), nil, 401, "wrong_token"},
		{"GET", "/listen?token=" + wrong, "", "", nil, 401, "wrong_token"},
		{"GET", "/watch", "", "", cookie(wrong), 401, "wrong_token"},
		{"GET", "/show", "", wrong, nil, 429, "guesses"},
		{"GET", "/rig", "", "", cookie("' OR 1=1 --"), 429, "guesses"},

		{"PATCH", "/api/v1/settings", `{"smoothing":6}`, n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/reset", "", n.viewer, nil, 403, "operator"},
		{"PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"polarity":"opposite"}}}`, n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/survey", `{"seat":1,"main":"main","fill":"fill"}`, n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/survey/stop", "", n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/shows", `{"name":"mine"}`, n.viewer, nil, 403, "operator"},
		{"PATCH", "/api/v1/show", `{"name":"mine"}`, n.viewer, nil, 403, "operator"},
		{"DELETE", "/api/v1/show/loudspeakers/1", "", n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/show/import/csv", "100 -6\n200 -6\n", n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/calibration", `{"microphone":2,"level_db":94}`, n.viewer, nil, 403, "operator"},
		{"POST", "/api/v1/setup/leave", "", n.viewer, nil, 403, "operator"},
		{"GET", "/api/v1/show/file", "", n.viewer, nil, 403, "operator"},
		{"DELETE", "/api/v1/events/audio", "", "", cookie(n.viewer), 403, "operator"},

		{"PATCH", "/api/v1/settings", `{"smoothing":6}`, n.operator, []string{"Origin", "http://evil.example"}, 403, "origin"},
		{"POST", "/api/v1/reset", "", n.operator, []string{"Origin", "null"}, 403, "origin"},
		{"PATCH", "/api/v1/rig", `{"name":"x"}`, n.operator, []string{"Origin", "https://" + n.host}, 403, "origin"},
		{"POST", "/api/v1/shows", `{"name":"mine"}`, n.operator, []string{"Origin", "http://127.0.0.1:1"}, 403, "origin"},
		{"GET", "/api/v1/live", "", n.operator, append([]string{"Origin", "http://evil.example"}, socket...), 403, "origin"},
		{"GET", "/api/v1/state", "", n.operator, []string{"Host", "evil.example"}, 403, "host"},
		{"GET", "/api/v1/verdict", "", n.operator, []string{"Host", "203.0.113.9:80"}, 403, "host"},
		{"GET", "/", "", n.operator, []string{"Host", "127.0.0.1.evil.example"}, 403, "host"},
		{"GET", "/api/v1/live", "", n.operator, append([]string{"Host", "evil.example"}, socket...), 403, "host"},
		{"GET", "/api/v1/show/report", "", n.operator, []string{"Sec-Fetch-Site", "cross-site"}, 403, "cross_site"},

		{"GET", "/../../etc/passwd.txt", "", n.operator, nil, 400, "path"},
		{"GET", "/%2e%2e/%2e%2e/etc/passwd.txt", "", n.operator, nil, 400, "path"},
		{"GET", "//etc/passwd.txt", "", n.operator, nil, 400, "path"},
		{"GET", "/..%5c..%5cx.txt", "", n.operator, nil, 400, "path"},
		{"GET", "/app.js%00.txt", "", n.operator, nil, 400, "path"},
		{"POST", "/api/v1/show/open", `{"file":"../../x.plumbline"}`, n.operator, nil, 422, "file"},
		{"POST", "/api/v1/show/copy", `{"name":"x","path":"/tmp"}`, n.operator, nil, 400, "unknown_field"},

		{"PATCH", "/api/v1/settings", big, n.operator, nil, 413, "too_large"},
		{"PATCH", "/api/v1/settings", `{"smoothing":6}`, n.operator, []string{"Content-Type", "text/plain"}, 415, "content_type"},
		{"DELETE", "/api/v1/state", "", n.operator, nil, 405, "method"},
		{"GET", "/api/v1/live?name=" + strings.Repeat("x", 99), "", n.operator, socket, 400, "name"},
	} {
		status, text, _ := n.do(t, c.method, c.path, c.body, c.token, c.header...)
		var e struct{ Error struct{ Code, Text string } }
		if err := json.Unmarshal([]byte(text), &e); err != nil || status != c.status || e.Error.Code != c.code || e.Error.Text == "" {
			t.Errorf("%s %s: %d %.200q, want %d %s", c.method, c.path, status, text, c.status, c.code)
		}
		path, _, _ := strings.Cut(c.path, "?")
		if path, err = url.PathUnescape(path); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, fmt.Sprintf("why=%s method=%s path=%s", c.code, c.method, path))
	}

	head := " HTTP/1.1\r\nHost: " + n.host + "\r\nAuthorization: Bearer " + n.operator + "\r\n"
	for name, c := range map[string]struct {
		text   string
		status int
	}{
		"no HTTP at all":          {"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", 400},
		"a version to come":       {"GET / HTTP/9.9\r\n\r\n", 505},
		"no host":                 {"GET /api/v1/state HTTP/1.1\r\n\r\n", 400},
		"two hosts":               {"GET /api/v1/state" + head + "Host: evil.example\r\n\r\n", 400},
		"two lengths":             {"POST /api/v1/reset" + head + "Content-Length: 1\r\nContent-Length: 2\r\n\r\nab", 400},
		"a transfer of our own":   {"POST /api/v1/reset" + head + "Transfer-Encoding: x\r\n\r\nab", 501},
		"a header without an end": {"GET /api/v1/state" + head + "X-A: " + strings.Repeat("a", 40<<10) + "\r\n\r\n", 431},
		"an address without one":  {"GET /" + strings.Repeat("a", 40<<10) + head + "\r\n", 431},
	} {
		if got := n.raw(t, c.text); got != c.status {
			t.Errorf("%s: %d, want %d", name, got, c.status)
		}
		lines = append(lines, fmt.Sprintf("why=%q", whole))
	}

	for name, c := range map[string]struct {
		send [][]byte
		code int
		why  string
	}{
		"not masked":            {[][]byte{{0x81, 2, '{', '}'}}, 1002, "websocket: bad MASK"},
		"reserved bits":         {[][]byte{maskedFrame(0xf1, []byte("{}"))}, 1002, "websocket: RSV1 set, RSV2 set, RSV3 set"},
		"an opcode to come":     {[][]byte{maskedFrame(0x83, []byte("{}"))}, 1002, "websocket: bad opcode 3"},
		"a ping in parts":       {[][]byte{maskedFrame(0x09, nil)}, 1002, "websocket: FIN not set on control"},
		"a part of nothing":     {[][]byte{maskedFrame(0x80, []byte("{}"))}, 1002, "websocket: continuation after FIN"},
		"a message too large":   {[][]byte{maskedFrame(0x81, bytes.Repeat([]byte(" "), 5000))}, 1009, "a message is too large"},
		"bytes":                 {[][]byte{maskedFrame(0x82, []byte("{}"))}, 1008, "only text messages are understood"},
		"no JSON":               {[][]byte{maskedFrame(0x81, []byte("{"))}, 1008, "a JSON object is expected, and it ends too early"},
		"a type to come":        {[][]byte{maskedFrame(0x81, []byte(`{"type":"sing"}`))}, 1008, `message type must be "ack", "want" or "here", not "sing"`},
		"more than one a frame": {slices.Repeat([][]byte{maskedFrame(0x81, []byte(`{"type":"here"}`))}, 1000), 1008, "too many messages a second: send fewer"},
	} {
		code := n.frames(t, func(conn net.Conn) { conn.Write(bytes.Join(c.send, nil)) })
		if code != c.code && (code != 0 || len(c.send) == 1) { // who floods may be cut off before it can read
			t.Errorf("%s: closed with %d, want %d", name, code, c.code)
		}
		lines = append(lines, "live "+c.why)
	}

	if status, text, _ := n.do(t, "GET", "/api/v1/state", "", n.operator); status != http.StatusOK {
		t.Errorf("who is right, from the same address: %d %s", status, text)
	}
	if after := n.kept(t); after != before {
		t.Errorf("changed is\n%s\nfrom\n%s", after, before)
	}
	if _, err := io.ReadAll(slow); err != nil {
		t.Errorf("headers that trickle: %v", err)
	}
	lines = append(lines, fmt.Sprintf("why=%q", whole))
	if len(lines) < 40 {
		t.Errorf("%d requests are few", len(lines))
	}

	o := n.stop()
	var logged []string
	for line := range strings.Lines(o.stderr) {
		if !strings.Contains(line, "msg=refused") {
			continue
		}
		_, rest, _ := strings.Cut(strings.TrimSpace(line), " why=")
		if why, _, live := strings.Cut(rest, " client="); live {
			logged = append(logged, "live "+unquoted(t, why))
			continue
		}
		rest, _, _ = strings.Cut(rest, " who=")
		if why, path, ok := strings.Cut(rest, " path="); ok {
			rest = why + " path=" + unquoted(t, path)
		}
		logged = append(logged, "why="+rest)
	}
	slices.Sort(lines)
	slices.Sort(logged)
	if a, b := strings.Join(logged, "\n"), strings.Join(lines, "\n"); a != b {
		t.Errorf("refused are in the log\n%s\nwant\n%s", a, b)
	}
	for what, secret := range map[string]string{"viewer's token": n.viewer, "operator's token": n.operator, "guess": wrong, "link's token": linkOf(t, o.stdout)} {
		if strings.Contains(o.stderr, secret) {
			t.Errorf("a %s is in the log", what)
		}
	}
}

// unquoted is a value of the log as it was.
func unquoted(t *testing.T, value string) string {
	t.Helper()
	if !strings.HasPrefix(value, `"`) {
		return value
	}
	s, err := strconv.Unquote(value)
	if err != nil {
		t.Fatal(value, err)
	}
	return s
}

// linkOf is the token of the link that the terminal shows.
func linkOf(t *testing.T, terminal string) string {
	t.Helper()
	m := regexp.MustCompile(`/\?token=(\S+)`).FindStringSubmatch(terminal)
	if m == nil {
		t.Fatalf("no link in %q", terminal)
	}
	return m[1]
}
