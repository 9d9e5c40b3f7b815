package stream

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/air"
	"plumbline/stream/wire"

	_ "embed"
)

//go:embed openapi.yaml
var openAPI []byte

const bodyLimit = 64 << 10

type handler func(w http.ResponseWriter, r *http.Request) error

// route is one operation of the API; openapi.yaml has each of them.
type route struct {
	method, path string
	serve        handler
	limit        int64 // of the body, bytes; 0 is bodyLimit
}

func (s *Server) apiRoutes() []route {
	return append([]route{
		{"GET", "/api/v1/live", func(w http.ResponseWriter, r *http.Request) error { s.live(w, r); return nil }, 0},
		{"GET", "/api/v1/state", func(w http.ResponseWriter, r *http.Request) error {
			return reply(w, s.cfg.Operator.State())
		}, 0},
		{"PATCH", "/api/v1/settings", s.patchSettings, 0},
		{"POST", "/api/v1/reset", s.reset, 0},
		{"GET", "/api/v1/frame", s.frame, 0},
		{"GET", "/api/v1/verdict", s.verdicts, 0},
		{"GET", "/api/v1/rig", s.rig, 0},
		{"PATCH", "/api/v1/rig", s.patchRig, 0},
		{"GET", "/api/v1/health", s.health, 0},
		{"GET", "/api/v1/openapi.yaml", func(w http.ResponseWriter, r *http.Request) error {
			w.Header().Set("Content-Type", "application/yaml")
			_, err := w.Write(openAPI)
			return err
		}, 0},
	}, slices.Concat(s.showRoutes(), s.surveyRoutes(), s.levelRoutes(), s.watchRoutes(), s.setupRoutes())...)
}

// routes builds the multiplexer: one entry a path, which picks the method, so
// that a wrong one is answered like every other mistake.
func (s *Server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	byPath := map[string]map[string]route{}
	for _, r := range s.apiRoutes() {
		if byPath[r.path] == nil {
			byPath[r.path] = map[string]route{}
		}
		byPath[r.path][r.method] = r
	}
	for path, methods := range byPath {
		mux.Handle(path, s.dispatch(methods))
	}
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		fail(w, &Error{Code: "not_found", Text: "no such address in the API: GET /api/v1/openapi.yaml lists them", Status: http.StatusNotFound})
	})
	mux.Handle("/", s.dispatch(map[string]route{"GET": {method: "GET", path: "/", serve: s.static}}))
	return mux
}

func (s *Server) dispatch(methods map[string]route) http.Handler {
	allowed := slices.Sorted(maps.Keys(methods))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		route, ok := methods[r.Method]
		if !ok && r.Method == http.MethodHead {
			route, ok = methods[http.MethodGet]
		}
		if !ok {
			w.Header().Set("Allow", strings.Join(allowed, ", "))
			fail(w, &Error{Code: "method", Text: fmt.Sprintf("%s is not for this address: use %s", r.Method, strings.Join(allowed, " or ")), Status: http.StatusMethodNotAllowed})
			return
		}
		limit := route.limit
		if limit == 0 {
			limit = bodyLimit
		}
		r.Body = http.MaxBytesReader(serverOwn(w), r.Body, limit)
		err := mayUse(r, route)
		if err == nil {
			err = s.oneOfFew(w, r, route)
		}
		if err != nil {
			s.answerError(w, r, err)
		}
	})
}

// serverOwn is the writer that the HTTP server gave: only that can be told of a body
// that is too large, which keeps the connection open until the client has read why.
func serverOwn(w http.ResponseWriter) http.ResponseWriter {
	for {
		u, ok := w.(interface{ Unwrap() http.ResponseWriter })
		if !ok {
			return w
		}
		w = u.Unwrap()
	}
}

func (s *Server) answerError(w http.ResponseWriter, r *http.Request, err error) {
	var mine *Error
	var large *http.MaxBytesError
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		mine = &Error{Code: "slow", Text: "the request came too slowly and was given up: send it again", Status: http.StatusRequestTimeout}
	case errors.As(err, &large):
		mine = &Error{Code: "too_large", Text: fmt.Sprintf("the body is larger than %d bytes", large.Limit), Status: http.StatusRequestEntityTooLarge}
	case !errors.As(err, &mine):
		s.log.Warn("request refused", "method", r.Method, "path", r.URL.Path, "err", err)
		mine = &Error{Code: "internal", Text: err.Error(), Status: http.StatusInternalServerError}
	}
	fail(w, mine)
}

// ServeHTTP guards every request, then serves it: see guard.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	handled(r)
	s.guard(w, r)
}

func (s *Server) patchSettings(w http.ResponseWriter, r *http.Request) error {
	var p SettingsPatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	by, err := changedBy(r)
	if err != nil {
		return err
	}
	state, err := s.cfg.Operator.Change(r.Context(), p, by)
	if err != nil {
		return err
	}
	s.StateChanged(state)
	return reply(w, state)
}

func (s *Server) reset(w http.ResponseWriter, r *http.Request) error {
	by, err := changedBy(r)
	if err != nil {
		return err
	}
	if err := s.cfg.Operator.Reset(r.Context(), by); err != nil {
		return err
	}
	s.Notice("Averages start afresh.", by)
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) frame(w http.ResponseWriter, r *http.Request) error {
	o, ok := s.Frame()
	if !ok {
		return &Error{Code: "no_frame", Text: "there is no frame yet: the source has given no sound, try again in a second", Status: http.StatusServiceUnavailable}
	}
	return reply(w, o)
}

// Frame is the newest frame in words; false: there is none yet.
func (s *Server) Frame() (o wire.Object, ok bool) {
	k := s.takeNewest()
	if k == nil {
		return o, false
	}
	defer s.pool.release(k)
	b := s.board.Load()
	return wire.NewObject(&k.frame, k.hello.hello, b.state.state, b.verdictMessages(),
		air.SpeedOfSound(b.state.state.Settings.TemperatureC)), true
}

func (b *board) verdictMessages() []wire.Verdict {
	vs := make([]wire.Verdict, len(b.verdicts))
	for i, d := range b.verdicts {
		vs[i] = d.verdict
	}
	return vs
}

func (s *Server) verdicts(w http.ResponseWriter, r *http.Request) error {
	return reply(w, wire.Verdicts{Verdicts: s.board.Load().verdictMessages()})
}

func (s *Server) rig(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Rig == nil {
		return errNoRig
	}
	return reply(w, s.cfg.Rig.Rig())
}

var errNoRig = &Error{Code: "no_rig", Text: "the source is no virtual rig: start plumbline demo, or serve with --rig", Status: http.StatusNotFound}

func (s *Server) patchRig(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Rig == nil {
		return errNoRig
	}
	var p RigPatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	by, err := changedBy(r)
	if err != nil {
		return err
	}
	scene, err := s.cfg.Rig.ChangeRig(r.Context(), p, by)
	if err != nil {
		return err
	}
	s.RigChanged(scene)
	return reply(w, scene)
}

// changedBy is the client's name as it gave it.
func changedBy(r *http.Request) (string, error) {
	by := r.Header.Get("X-Plumbline-Client")
	if by == "" {
		return "api", nil
	}
	if name, err := url.PathUnescape(by); err == nil { // headers are ASCII, names are not
		by = name
	}
	if wire.CheckLine("client", "a client's name", by, 40) != nil {
		return "", &Error{Code: "client", Text: "X-Plumbline-Client must be at most 40 printable characters", Status: http.StatusBadRequest}
	}
	return by, nil
}

func readJSON(r *http.Request, v any) error {
	data, err := readBody(r)
	if err != nil {
		return err
	}
	return decodeJSON(data, v)
}

// readBody is the body of a request that says that it is JSON.
func readBody(r *http.Request) ([]byte, error) {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return nil, &Error{Code: "content_type", Text: "send JSON, with Content-Type: application/json", Status: http.StatusUnsupportedMediaType}
	}
	return io.ReadAll(r.Body)
}

func decodeJSON(data []byte, v any) error {
	err := wire.DecodeStrict(bytes.NewReader(data), v)
	var mine *Error
	if errors.As(err, &mine) && mine.Status == 0 && (mine.Code == "json" || mine.Code == "unknown_field") {
		mine.Status = http.StatusBadRequest
	}
	return err
}

func reply(w http.ResponseWriter, v any) error { return replyAs(w, http.StatusOK, v) }

func replyAs(w http.ResponseWriter, status int, v any) error {
	data := encode(v)
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)+1))
	w.WriteHeader(status)
	_, err := io.WriteString(w, string(data)+"\n")
	if err != nil {
		return nil // the peer has gone: nobody to tell
	}
	return nil
}

func fail(w http.ResponseWriter, e *Error) {
	note(w, e)
	status := e.Status
	if status == 0 {
		status = http.StatusUnprocessableEntity
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(append(encode(wire.ErrorBody{Error: *e}), '\n'))
}
