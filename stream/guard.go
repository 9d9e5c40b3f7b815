package stream

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path"
	"runtime/debug"
	"strings"

	"plumbline/stream/access"
	"plumbline/stream/wire"
)

// guard serves what own pages, programs, and addresses that somebody typed ask for, as
// often as is fair, and on a network only those who have a token. What a handler panics
// about is answered; what is refused is logged.
func (s *Server) guard(w http.ResponseWriter, r *http.Request) {
	a := &answer{ResponseWriter: w}
	defer s.tellRefusal(a, r)
	defer s.caught(a, r)
	switch {
	case !s.pace.Under(address(r), s.mostRequests()):
		w.Header().Set("Retry-After", "1")
		fail(a, &Error{Code: "rate", Text: "too many requests from your address: send fewer a second", Status: http.StatusTooManyRequests})
	case !s.ownHost(r):
		fail(a, &Error{Code: "host", Text: fmt.Sprintf("%q is not this machine's own name: use the address the daemon printed", r.Host), Status: http.StatusForbidden})
	case !sameOrigin(r):
		fail(a, &Error{Code: "origin", Text: "pages of other origins may not use this daemon", Status: http.StatusForbidden})
	case !fromHere(r):
		fail(a, &Error{Code: "cross_site", Text: "pages of other sites may not ask this daemon: open its own page, or type the address in", Status: http.StatusForbidden})
	case !straight(r.URL.Path):
		fail(a, &Error{Code: "path", Text: "an address is written straight, without .., //, \\ and control characters", Status: http.StatusBadRequest})
	default:
		if r, ok := s.admit(a, r); ok {
			a.who = whoAsks(r)
			s.mux.ServeHTTP(a, r)
		}
	}
}

// fromHere: a browser says which page a request comes from, also where it sends no
// Origin, as with images and links (W3C Fetch Metadata Request Headers). Only the
// pages themselves may be linked to from elsewhere: everything else costs work. All
// ports of a machine are one site, so that the same site is not enough.
func fromHere(r *http.Request) bool {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "none", "same-origin": // no browser, typed in, own page
		return true
	}
	return !programs(r.URL.Path)
}

// straight: no file system could take a path for another one.
func straight(p string) bool {
	return wire.CheckLine("path", "a path", p, 2000) == nil && !strings.Contains(p, `\`) && path.Clean(p) == strings.TrimSuffix(p, "/") || p == "/"
}

// answer remembers whether an answer has begun, and whether it is a refusal.
type answer struct {
	http.ResponseWriter
	begun   bool
	refusal *Error
	who     access.Who // asks; nobody before that is known
}

// note remembers a refusal, for the log.
func note(w http.ResponseWriter, e *Error) {
	for {
		if a, ok := w.(*answer); ok {
			a.refusal = e
			return
		}
		u, ok := w.(interface{ Unwrap() http.ResponseWriter })
		if !ok {
			return
		}
		w = u.Unwrap()
	}
}

func (a *answer) WriteHeader(status int) {
	a.begun = true
	a.ResponseWriter.WriteHeader(status)
}

func (a *answer) Write(b []byte) (int, error) {
	a.begun = true
	return a.ResponseWriter.Write(b)
}

// Unwrap is for http.ResponseController.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// Hijack is for WebSocket, which asks for it by type.
func (a *answer) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	h, ok := a.ResponseWriter.(http.Hijacker)
	if !ok {
		return nil, nil, errors.New("stream: this connection cannot be taken over")
	}
	a.begun = true
	return h.Hijack()
}

// caught turns a panic into an answer: one request has failed, not the daemon.
func (s *Server) caught(a *answer, r *http.Request) {
	p := recover()
	if p == nil || p == http.ErrAbortHandler {
		if p != nil {
			panic(p) // somebody wants the connection cut
		}
		return
	}
	s.log.Error("a request failed by a fault in this program", "method", r.Method, "path", r.URL.Path, "err", p, "stack", string(debug.Stack()))
	if a.begun {
		panic(http.ErrAbortHandler) // half an answer must not look like a whole one
	}
	for _, name := range []string{"Content-Length", "Content-Disposition", "Content-Encoding", "ETag"} {
		a.Header().Del(name)
	}
	fail(a, &Error{Code: "internal", Text: "this failed by a fault in plumbline, not by what you did; the daemon goes on, its log says more", Status: http.StatusInternalServerError})
}

// shielded runs one side of a client's connection: a panic ends that connection
// and no other.
func (s *Server) shielded(c *client, side string, run func()) {
	defer func() {
		if p := recover(); p != nil {
			s.log.Error("a connection failed by a fault in this program", "client", c.name, "side", side, "err", p, "stack", string(debug.Stack()))
			c.conn.Close()
		}
	}()
	run()
}

// mostHeavy requests that read or write whole shows, takes or reports run at
// once; one of them may hold a few hundred megabytes.
const mostHeavy = 4

// heavy are those requests.
var heavy = map[string]bool{
	"POST /api/v1/show/copy":                      true,
	"GET /api/v1/show/file":                       true,
	"GET /api/v1/show/report":                     true,
	"POST /api/v1/show/import/{format}":           true,
	"POST /api/v1/show/corrections/import":        true,
	"GET /api/v1/show/takes/{id}/export/{format}": true,
}

// oneOfFew serves a request; a heavy one if there is room.
func (s *Server) oneOfFew(w http.ResponseWriter, r *http.Request, to route) error {
	if heavy[to.method+" "+to.path] {
		select {
		case s.heavy <- struct{}{}:
			defer func() { <-s.heavy }()
		default:
			w.Header().Set("Retry-After", "2")
			return &Error{Code: "busy", Text: fmt.Sprintf("%d imports, exports, copies or reports are under way: try again when one has ended", mostHeavy), Status: http.StatusServiceUnavailable}
		}
	}
	return to.serve(w, r)
}
