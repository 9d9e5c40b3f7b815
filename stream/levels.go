package stream

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// LevelOperator measures levels all the time. The rules are those of Operator.
type LevelOperator interface {
	Levels() wire.SoundLevels
	// ResetLevels starts averages, maxima and the budget of the limit anew.
	ResetLevels(ctx context.Context, by string) error
	Limits() wire.Limits
	ChangeLimits(ctx context.Context, p wire.LimitsPatch, by string) (wire.Limits, error)
	// AddLimit enters one, and follows it; DeleteLimit deletes one that was entered, which is
	// followed no more.
	AddLimit(ctx context.Context, r wire.LimitRequest, by string) (wire.Limits, error)
	DeleteLimit(ctx context.Context, id, by string) (wire.Limits, error)
	Calibrations() wire.Calibrations
	// Calibrate listens to a calibrator for r.Seconds.
	Calibrate(ctx context.Context, r wire.CalibrationRequest, by string) (wire.Calibration, error)
	UndoCalibration(ctx context.Context, microphone int, by string) (wire.Calibrations, error)
}

// LevelsChanged tells all clients.
func (s *Server) LevelsChanged(v wire.SoundLevels) {
	doc := &levelsDoc{encode(wire.LevelsMessage{Type: wire.TypeLevels, Levels: v})}
	s.pin(func(b *board) { b.levels = doc })
}

type levelsDoc struct{ data []byte }

var errNoLevels = &Error{Code: "no_levels", Text: "this daemon measures no levels", Status: http.StatusNotFound}

func (s *Server) levelRoutes() []route {
	return []route{
		{"GET", "/api/v1/levels", s.levels(func(w http.ResponseWriter, r *http.Request, o LevelOperator, _ string) error {
			return reply(w, o.Levels())
		}), 0},
		{"POST", "/api/v1/levels/reset", s.levels(s.resetLevels), 0},
		{"GET", "/api/v1/levels/history", s.onShow(s.levelHistory), 0},
		{"GET", "/api/v1/levels/log.csv", s.onShow(s.levelLog), 0},
		{"GET", "/api/v1/limits", s.levels(func(w http.ResponseWriter, r *http.Request, o LevelOperator, _ string) error {
			return reply(w, o.Limits())
		}), 0},
		{"PATCH", "/api/v1/limits", s.levels(s.patchLimits), 0},
		{"POST", "/api/v1/limits", s.levels(s.addLimit), 0},
		{"DELETE", "/api/v1/limits/{id}", s.levels(func(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
			return replyWith(w)(o.DeleteLimit(r.Context(), r.PathValue("id"), by))
		}), 0},
		{"GET", "/api/v1/calibration", s.levels(func(w http.ResponseWriter, r *http.Request, o LevelOperator, _ string) error {
			return reply(w, o.Calibrations())
		}), 0},
		{"POST", "/api/v1/calibration", s.levels(s.calibrate), 0},
		{"POST", "/api/v1/calibration/undo", s.levels(s.undoCalibration), 0},
		{"GET", "/metrics", s.metrics, 0},
		{"GET", "/api/v1/dashboard.json", s.metrics, 0},
	}
}

// levels serves a request about levels on behalf of by.
func (s *Server) levels(h func(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Levels == nil {
			return errNoLevels
		}
		by, err := changedBy(r)
		if err != nil {
			return err
		}
		return h(w, r, s.cfg.Levels, by)
	}
}

func (s *Server) resetLevels(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
	if err := o.ResetLevels(r.Context(), by); err != nil {
		return err
	}
	s.Notice("Levels and budget start afresh.", by)
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) patchLimits(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
	var p wire.LimitsPatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	return replyWith(w)(o.ChangeLimits(r.Context(), p, by))
}

func (s *Server) addLimit(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
	var q wire.LimitRequest
	if _, err := command(r, &q); err != nil {
		return err
	}
	return replyWith(w)(o.AddLimit(r.Context(), q, by))
}

func (s *Server) calibrate(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
	var q wire.CalibrationRequest
	if _, err := command(r, &q); err != nil {
		return err
	}
	return replyWith(w)(o.Calibrate(r.Context(), q, by))
}

func (s *Server) undoCalibration(w http.ResponseWriter, r *http.Request, o LevelOperator, by string) error {
	var q wire.CalibrationUndo
	if err := readJSON(r, &q); err != nil {
		return err
	}
	return replyWith(w)(o.UndoCalibration(r.Context(), q.Microphone, by))
}

func (s *Server) levelHistory(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	q, err := s.levelQuery(r, time.Hour)
	if err != nil {
		return err
	}
	return replyWith(w)(x.LevelHistory(q))
}

func (s *Server) levelLog(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	q, err := s.levelQuery(r, 24*time.Hour)
	if err != nil {
		return err
	}
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(fileTimeout))
	attach(w, "text/csv; charset=utf-8", "levels.csv")
	if err := x.WriteLevels(w, q); err != nil {
		// The first lines may be on their way: all that is left is to cut it off.
		s.log.Warn("level log", "err", err)
		panic(http.ErrAbortHandler)
	}
	return nil
}

// levelQuery reads from and to (RFC 3339 or seconds since 1970; absent: the
// last time up to now), points, microphone and bands.
func (s *Server) levelQuery(r *http.Request, last time.Duration) (q show.LevelQuery, err error) {
	v := r.URL.Query()
	for key := range v {
		switch key {
		case "from", "to", "points", "microphone", "bands":
		default:
			return q, &Error{Code: "query", Text: fmt.Sprintf("there is no %q to ask for: give from, to, points, microphone and bands", clip(key, 40)), Status: http.StatusBadRequest}
		}
	}
	if q.ToMs, err = moment(v.Get("to"), s.now()); err != nil {
		return q, err
	}
	if q.FromMs, err = moment(v.Get("from"), time.UnixMilli(q.ToMs).Add(-last)); err != nil {
		return q, err
	}
	if q.FromMs >= q.ToMs {
		return q, &Error{Code: "query", Text: "from must lie before to", Status: http.StatusBadRequest}
	}
	points, err := query(r, "points", 600, 1, 5000)
	if err != nil {
		return q, err
	}
	microphone, err := query(r, "microphone", 0, 0, math.MaxInt32)
	if err != nil {
		return q, err
	}
	q.Points, q.Microphone = int(points), int(microphone)
	q.Bands = v.Get("bands") == "1" || v.Get("bands") == "true"
	return q, nil
}

// moment reads a time as ms since 1970.
func moment(text string, otherwise time.Time) (int64, error) {
	if text == "" {
		return otherwise.UnixMilli(), nil
	}
	if seconds, err := strconv.ParseFloat(text, 64); err == nil && math.Abs(seconds) < 1e11 {
		return int64(math.Round(seconds * 1000)), nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return 0, &Error{Code: "query", Text: "a time must be seconds since 1970 or like 2030-01-31T20:15:00Z", Status: http.StatusBadRequest}
	}
	return t.UnixMilli(), nil
}

func (s *Server) metrics(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Metrics == nil {
		return &Error{Code: "no_metrics", Text: "this daemon serves no metrics", Status: http.StatusNotFound}
	}
	s.cfg.Metrics.ServeHTTP(w, r)
	return nil
}
