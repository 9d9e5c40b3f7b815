package stream

import (
	"fmt"
	"net/http"
	"slices"
	"strings"

	"plumbline/analyze/response"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// TraceRequest says what to store as a trace: what a microphone shows now, or a take.
type TraceRequest struct {
	Microphone int    `json:"microphone,omitempty"` // channel; 0: the first one measured
	Take       int64  `json:"take,omitempty"`       // in place of what is heard now
	Name       string `json:"name,omitempty"`       // absent: “Trace 1” and on
}

// traceRoutes are those of the curves behind the live one, and of targets from text.
func (s *Server) traceRoutes() []route {
	const path = "/api/v1/show/traces"
	return []route{
		{"GET", path, s.onShow(func(w http.ResponseWriter, _ *http.Request, x *show.Show, _ string) error {
			traces, err := x.Traces()
			return replyWith(w)(map[string]any{"traces": traces}, err)
		}), 0},
		{"POST", path, s.onShow(s.storeTrace), 0},
		{"POST", path + "/import", s.onShow(s.importTrace), importLimit},
		{"PATCH", path + "/{id}", s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
			id, err := pathID(r)
			if err != nil {
				return err
			}
			patch, err := readBody(r) // before the show is asked, which nobody's network may hold up
			if err != nil {
				return err
			}
			return replyWith(w)(x.ChangeTrace(id, func(t *show.Trace) error { return decodeJSON(patch, t) }, by))
		}), 0},
		{"DELETE", path + "/{id}", s.remove(show.KindTrace), 0},
		{"GET", path + "/{id}/curve", s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
			id, err := pathID(r)
			if err != nil {
				return err
			}
			return replyWith(w)(x.TraceCurve(id))
		}), 0},
		{"POST", "/api/v1/show/targets/import", s.onShow(s.importTarget), importLimit},
	}
}

// storeTrace keeps the curve of the newest frame, held or not: what is seen is what is
// stored.
func (s *Server) storeTrace(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	var q TraceRequest
	if err := readJSON(r, &q); err != nil {
		return err
	}
	if q.Take != 0 {
		return s.traceOfTake(w, x, q, by)
	}
	k := s.takeNewest()
	if k == nil {
		return &Error{Code: "no_frame", Text: "there is no trace yet: the source has given no sound, try again in a second", Status: http.StatusServiceUnavailable}
	}
	microphones := k.frame.Microphones(nil)
	if q.Microphone == 0 && len(microphones) > 0 {
		q.Microphone = microphones[0]
	}
	curve := liveTrace(&k.frame, k.hello.hello.Grid, q.Microphone)
	s.pool.release(k)
	known := false
	for _, v := range curve.MagnitudeDB {
		known = known || v == v
	}
	if !known {
		return &Error{Code: "no_trace", Text: fmt.Sprintf("channel %d has no trace to store: choose a microphone that is measured, and let it hear something", q.Microphone), Status: http.StatusConflict}
	}
	channels := s.board.Load().state.state.Source.Channels
	t := show.Trace{Name: q.Name, Microphone: q.Microphone, Heard: fmt.Sprintf("channel %d", q.Microphone)}
	if i := q.Microphone - 1; i < len(channels) && channels[i] != "" {
		t.Heard = channels[i]
	}
	if t.Name == "" && len(microphones) > 1 {
		var err error
		if t.Name, err = seatName(x, t.Heard); err != nil {
			return err
		}
	}
	return replyWith(w)(x.AddTrace(t, curve, by))
}

// seatName is what a trace is called where several microphones are measured: as its own,
// with a number from the second on.
func seatName(x *show.Show, heard string) (string, error) {
	traces, err := x.Traces()
	if err != nil {
		return "", err
	}
	name := heard
	for n := 2; slices.ContainsFunc(traces, func(t show.Trace) bool { return t.Name == name }); n++ {
		name = fmt.Sprintf("%s, %d", heard, n)
	}
	return name, nil
}

// liveTrace copies what a frame has of a channel.
func liveTrace(f *wire.Frame, grid []float64, channel int) show.TraceCurve {
	of := func(id wire.CurveID) wire.Values { return append(wire.Values{}, f.Curve(id, channel)...) }
	c := show.TraceCurve{
		DelayMs: wire.Unknown(), FrequencyHz: append([]float64{}, grid...),
		MagnitudeDB: of(wire.MagnitudeDB), MagnitudeLowDB: of(wire.MagnitudeLowDB), MagnitudeHighDB: of(wire.MagnitudeHighDB),
		PhaseDeg: of(wire.PhaseDeg), PhaseErrorDeg: of(wire.PhaseErrorDeg), Coherence: of(wire.Coherence), Threshold: of(wire.Threshold),
		ImpulseStartMs: wire.Unknown(), ImpulseStepMs: wire.Unknown(), Impulse: of(wire.Impulse),
	}
	if d := f.Curve(wire.DelayMs, channel); len(d) > 0 {
		c.DelayMs = wire.Value(d[0])
	}
	if a := f.Curve(wire.ImpulseAxisMs, channel); len(a) == 2 {
		c.ImpulseStartMs, c.ImpulseStepMs = wire.Value(a[0]), wire.Value(a[1])
	}
	return c
}

func (s *Server) traceOfTake(w http.ResponseWriter, x *show.Show, q TraceRequest, by string) error {
	take, err := x.Take(q.Take)
	if err != nil {
		return err
	}
	var spectra response.Spectra
	if err := x.Spectra(take.ID, &spectra); err != nil {
		return err
	}
	if q.Name == "" {
		q.Name = take.Name
	}
	return replyWith(w)(x.AddTrace(show.Trace{Name: q.Name, Microphone: take.Microphone, Heard: fmt.Sprintf("take %d", take.ID)}, curveOf(take, &spectra), by))
}

func curveOf(t show.Take, spectra *response.Spectra) show.TraceCurve {
	var c response.Curve
	spectra.Curve(&c)
	return show.CurveOf(t, &c)
}

// importTrace lays a response from elsewhere behind the live one.
func (s *Server) importTrace(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	averages, err := query(r, "averages", 16, 2, 100000)
	if err != nil {
		return err
	}
	text, err := show.ReadText(r.Body)
	if err != nil {
		return err
	}
	spectra, _ := text.Spectra(48000, float64(averages))
	t := show.Take{DelayMs: text.DelayMs, Results: show.Results{AssumedCoherence: text.Coherence == nil, AssumedPhase: text.PhaseDeg == nil}}
	return replyWith(w)(x.AddTrace(show.Trace{Name: clip(strings.TrimSpace(r.URL.Query().Get("name")), 80), Heard: "imported"}, curveOf(t, spectra), by))
}

// importTarget makes a target from text, shown, with the tolerance in query tolerance_db.
func (s *Server) importTarget(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	points, err := show.ReadTarget(r.Body)
	if err != nil {
		return err
	}
	name := strings.TrimSpace(r.URL.Query().Get("name"))
	if name == "" {
		name = "Target"
	}
	return replyWith(w)(x.PutTarget(show.Target{Name: clip(name, 80), Points: points, Shown: true}, by))
}
