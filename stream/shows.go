package stream

import (
	"fmt"
	"math"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	planLimit   = 1<<20 + bodyLimit
	importLimit = 64 << 20
	// fileTimeout is how long a whole show may take to a slow client.
	fileTimeout = 10 * time.Minute
)

// showRoutes are the part of the API that is about shows.
func (s *Server) showRoutes() []route {
	routes := []route{
		{"GET", "/api/v1/shows", s.listShows, 0},
		{"POST", "/api/v1/shows", s.newShow, 0},
		{"GET", "/api/v1/show", s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
			return replyWith(w)(x.Info())
		}), 0},
		{"PATCH", "/api/v1/show", s.onShow(s.renameShow), 0},
		{"POST", "/api/v1/show/open", s.openShow, 0},
		{"POST", "/api/v1/show/copy", s.copyShow, 0},
		{"GET", "/api/v1/show/file", s.onShow(s.showFile), 0},
		{"POST", "/api/v1/show/undo", s.onShow(s.undo), 0},
		{"GET", "/api/v1/show/log", s.onShow(s.showLog), 0},
		{"POST", "/api/v1/show/log", s.onShow(s.addToLog), 0},
		{"GET", "/api/v1/show/report", s.onShow(s.report), 0},
		{"POST", "/api/v1/show/corrections/import", s.onShow(s.importCorrection), importLimit},
	}
	routes = append(routes, items(s, "loudspeakers", show.KindLoudspeaker, (*show.Show).Loudspeakers, (*show.Show).PutLoudspeaker, (*show.Show).ChangeLoudspeaker,
		func(x *show.Loudspeaker) *int64 { return &x.ID }, 0)...)
	routes = append(routes, items(s, "seats", show.KindSeat, (*show.Show).Seats, (*show.Show).PutSeat, (*show.Show).ChangeSeat,
		func(x *show.Seat) *int64 { return &x.ID }, 0)...)
	routes = append(routes, items(s, "plans", show.KindPlan, (*show.Show).Plans, (*show.Show).PutPlan, (*show.Show).ChangePlan,
		func(x *show.Plan) *int64 { return &x.ID }, planLimit)...)
	routes = append(routes, items(s, "notes", show.KindNote, (*show.Show).Notes, (*show.Show).PutNote, (*show.Show).ChangeNote,
		func(x *show.Note) *int64 { return &x.ID }, 0)...)
	routes = append(routes, items(s, "corrections", show.KindCorrection, (*show.Show).Corrections, (*show.Show).PutCorrection, (*show.Show).ChangeCorrection,
		func(x *show.Correction) *int64 { return &x.ID }, planLimit)...)
	routes = append(routes, items(s, "targets", show.KindTarget, (*show.Show).Targets, (*show.Show).PutTarget, (*show.Show).ChangeTarget,
		func(x *show.Target) *int64 { return &x.ID }, planLimit)...)
	return append(append(routes, s.traceRoutes()...), s.takeRoutes()...)
}

// showHandler serves a request about the open show on behalf of by.
type showHandler func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error

func (s *Server) onShow(h showHandler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		shelf, by, err := s.shelf(r)
		if err != nil {
			return err
		}
		x, err := shelf.Current()
		if err != nil {
			return err
		}
		return h(w, r, x, by)
	}
}

func (s *Server) shelf(r *http.Request) (*show.Shelf, string, error) {
	if s.cfg.Shelf == nil {
		return nil, "", &Error{Code: "no_shows", Text: "this daemon keeps no shows: start it with --show FILE", Status: http.StatusNotFound}
	}
	by, err := changedBy(r)
	return s.cfg.Shelf, by, err
}

// showChanged pins what the open show is about; newer ones win.
func (s *Server) showChanged() {
	var message wire.ShowMessage
	message.Type = wire.TypeShow
	revision := int64(-1)
	if x, err := s.cfg.Shelf.Current(); err == nil {
		info, err := x.Info()
		if err != nil {
			s.log.Warn("show", "err", err)
			return
		}
		message.Show, revision = &info, info.Revision
	}
	doc := &showDoc{file: fileOf(message.Show), revision: revision, data: encode(message)}
	s.pin(func(b *board) {
		if b.show == nil || b.show.file != doc.file || b.show.revision <= doc.revision {
			b.show = doc
		}
	})
}

func fileOf(i *wire.Show) string {
	if i == nil {
		return ""
	}
	return i.File
}

// replyWith answers with what a method of the show returned.
func replyWith(w http.ResponseWriter) func(v any, err error) error {
	return func(v any, err error) error {
		if err != nil {
			return err
		}
		return reply(w, v)
	}
}

// named is the body of those that take a name.
type named struct {
	Name string `json:"name"`
}

func (s *Server) listShows(w http.ResponseWriter, r *http.Request) error {
	shelf, _, err := s.shelf(r)
	if err != nil {
		return err
	}
	list, err := shelf.List()
	return replyWith(w)(map[string]any{"shows": list}, err)
}

func (s *Server) newShow(w http.ResponseWriter, r *http.Request) error {
	shelf, by, err := s.shelf(r)
	if err != nil {
		return err
	}
	var body named
	if err := readJSON(r, &body); err != nil {
		return err
	}
	x, err := shelf.New(body.Name)
	if x == nil {
		return err
	}
	s.noticeClosed(err, by)
	s.Notice("A new show is open: "+body.Name, by)
	return replyWith(w)(x.Info())
}

// noticeClosed tells everybody of trouble with the show that another one took
// the place of.
func (s *Server) noticeClosed(err error, by string) {
	if err != nil {
		s.log.Error("the show that was open", "err", err)
		s.Notice(err.Error(), by)
	}
}

func (s *Server) openShow(w http.ResponseWriter, r *http.Request) error {
	shelf, by, err := s.shelf(r)
	if err != nil {
		return err
	}
	var body struct {
		File string `json:"file"`
	}
	if err := readJSON(r, &body); err != nil {
		return err
	}
	x, err := shelf.Open(body.File)
	if x == nil {
		return err
	}
	s.noticeClosed(err, by)
	info, err := x.Info()
	if err != nil {
		return err
	}
	s.Notice("Another show is open: "+info.Name, by)
	return reply(w, info)
}

func (s *Server) copyShow(w http.ResponseWriter, r *http.Request) error {
	shelf, _, err := s.shelf(r)
	if err != nil {
		return err
	}
	var body named
	if err := readJSON(r, &body); err != nil {
		return err
	}
	file, err := shelf.Copy(body.Name)
	return replyWith(w)(map[string]string{"file": file}, err)
}

func (s *Server) renameShow(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	var body named
	if err := readJSON(r, &body); err != nil {
		return err
	}
	if err := x.Rename(body.Name, by); err != nil {
		return err
	}
	return replyWith(w)(x.Info())
}

// showFile sends a copy of the show, complete at one moment.
func (s *Server) showFile(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	dir, err := os.MkdirTemp("", "plumbline")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "copy"+show.Extension)
	if err := x.Copy(path); err != nil {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(fileTimeout))
	attach(w, "application/vnd.sqlite3", filepath.Base(x.Path()))
	http.ServeContent(w, r, "", time.Time{}, f)
	return nil
}

func attach(w http.ResponseWriter, contentType, name string) {
	w.Header().Set("Content-Type", contentType)
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
}

func (s *Server) undo(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	var body undoObject
	if err := readJSON(r, &body); err != nil {
		return err
	}
	if err := x.Undo(body.Undo, by); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// undoObject is what a delete answers and an undo wants.
type undoObject struct {
	Undo int64 `json:"undo"`
}

// stretch is which part of a list, newest first, is asked for.
func stretch(r *http.Request) (limit int, before int64, err error) {
	n, err := query(r, "limit", 100, 1, 1000)
	if err != nil {
		return 0, 0, err
	}
	before, err = query(r, "before", 0, 0, math.MaxInt64)
	return int(n), before, err
}

func (s *Server) showLog(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	limit, before, err := stretch(r)
	if err != nil {
		return err
	}
	entries, err := x.Entries(limit, before)
	return replyWith(w)(map[string]any{"log": entries}, err)
}

func (s *Server) addToLog(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	var body struct {
		Text string `json:"text"`
	}
	if err := readJSON(r, &body); err != nil {
		return err
	}
	if err := x.Log(body.Text, by); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) importCorrection(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	points, err := show.ReadCorrection(r.Body)
	if err != nil {
		return err
	}
	return replyWith(w)(x.PutCorrection(show.Correction{Name: r.URL.Query().Get("name"), Points: points}, by))
}

// items are the routes of a kind of item: list and add, change and delete.
func items[T any](s *Server, name string, kind show.Kind, list func(*show.Show) ([]T, error),
	put func(*show.Show, T, string) (T, error), change func(*show.Show, int64, func(*T) error, string) (T, error),
	id func(*T) *int64, limit int64) []route {
	path := "/api/v1/show/" + name
	return []route{
		{"GET", path, s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
			all, err := list(x)
			return replyWith(w)(map[string]any{name: all}, err)
		}), 0},
		{"POST", path, s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
			var item T
			if err := readJSON(r, &item); err != nil {
				return err
			}
			*id(&item) = 0
			return replyWith(w)(put(x, item, by))
		}), limit},
		{"PATCH", path + "/{id}", s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
			n, err := pathID(r)
			if err != nil {
				return err
			}
			// All of it before the show is asked, which nobody's network may hold up.
			patch, err := readBody(r)
			if err != nil {
				return err
			}
			return replyWith(w)(change(x, n, func(item *T) error { return decodeJSON(patch, item) }, by)) // what is absent stays
		}), limit},
		{"DELETE", path + "/{id}", s.remove(kind), 0},
	}
}

func (s *Server) remove(kind show.Kind) handler {
	return s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
		id, err := pathID(r)
		if err != nil {
			return err
		}
		undo, err := x.Delete(kind, id, by)
		return replyWith(w)(undoObject{undo}, err)
	})
}

func pathID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, &Error{Code: "not_found", Text: "items go by their number: " + strconv.Quote(clip(r.PathValue("id"), 40)) + " is none", Status: http.StatusNotFound}
	}
	return id, nil
}

func query(r *http.Request, name string, otherwise, low, high int64) (int64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return otherwise, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < low || n > high {
		return 0, &Error{Code: "query", Text: fmt.Sprintf("%s must be a whole number from %d to %d", name, low, high), Status: http.StatusBadRequest}
	}
	return n, nil
}
