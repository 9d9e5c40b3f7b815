package stream

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"

	"plumbline/analyze/response"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// takeRoutes are those of takes, which are more than items.
func (s *Server) takeRoutes() []route {
	const path = "/api/v1/show/takes"
	return []route{
		{"GET", path, s.onShow(s.listTakes), 0},
		{"POST", path, s.onShow(s.storeTake), 0},
		{"GET", path + "/{id}", s.onShow(func(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
			id, err := pathID(r)
			if err != nil {
				return err
			}
			return replyWith(w)(x.Take(id))
		}), 0},
		{"PATCH", path + "/{id}", s.onShow(s.changeTake), 0},
		{"DELETE", path + "/{id}", s.remove(show.KindTake), 0},
		{"GET", path + "/{id}/curve", s.onShow(s.takeCurve), 0},
		{"GET", path + "/{id}/export/{format}", s.onShow(s.exportTake), 0},
		{"POST", "/api/v1/show/import/{format}", s.onShow(s.importTake), importLimit},
	}
}

func (s *Server) listTakes(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	var f show.Filter
	var err error
	if f.Seat, err = query(r, "seat", 0, 1, math.MaxInt64); err != nil {
		return err
	}
	if f.Loudspeaker, err = query(r, "loudspeaker", 0, 1, math.MaxInt64); err != nil {
		return err
	}
	f.Deleted = r.URL.Query().Get("deleted") == "true"
	takes, err := x.Takes(f)
	return replyWith(w)(map[string]any{"takes": takes}, err)
}

func (s *Server) storeTake(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	if s.cfg.Takes == nil {
		return &Error{Code: "no_takes", Text: "this daemon captures no takes: import them", Status: http.StatusNotFound}
	}
	var q TakeRequest
	if err := readJSON(r, &q); err != nil {
		return err
	}
	if len(q.Playing) > 0 {
		var err error
		if q.Loudspeakers, err = x.LoudspeakerIDs(q.Playing); err != nil {
			return err
		}
		if q.Name == "" {
			q.Name = strings.Join(q.Playing, " + ")
		}
	}
	t, spectra, audio, err := s.cfg.Takes.Take(r.Context(), q)
	if err != nil {
		return err
	}
	t.Name, t.Seat, t.Loudspeakers, t.Correction, t.Origin = q.Name, q.Seat, q.Loudspeakers, q.Correction, show.Measured
	if q.Note != "" { // in front of what the measurement has to say
		t.Note = strings.TrimSuffix(q.Note+"\n"+t.Note, "\n")
	}
	return replyWith(w)(x.AddTake(t, spectra, audio, by))
}

func (s *Server) changeTake(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var p show.TakePatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	return replyWith(w)(x.ChangeTake(id, p, by))
}

// curveObject is a take's response, its arrays parallel.
type curveObject struct {
	Take              int64       `json:"take"`
	DelayMs           float64     `json:"delay_ms"`
	FrequencyHz       []float64   `json:"frequency_hz"`
	MagnitudeDB       wire.Values `json:"magnitude_db"`
	MagnitudeLowDB    wire.Values `json:"magnitude_low_db"`
	MagnitudeHighDB   wire.Values `json:"magnitude_high_db"`
	PhaseDeg          wire.Values `json:"phase_deg"`
	PhaseErrorDeg     wire.Values `json:"phase_error_deg"`
	Coherence         wire.Values `json:"coherence"`
	Threshold         wire.Values `json:"threshold"`
	EffectiveAverages wire.Values `json:"effective_averages"`
}

func (s *Server) takeCurve(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	smoothing, err := query(r, "smoothing", 0, 0, 48)
	if err != nil {
		return err
	}
	t, err := x.Take(id)
	if err != nil {
		return err
	}
	var spectra response.Spectra
	if err := x.Spectra(id, &spectra); err != nil {
		return err
	}
	if smoothing != 0 && smoothing != 48 {
		var smooth response.Spectra
		response.Smooth(&smooth, &spectra, int(smoothing))
		spectra = smooth
	}
	var c response.Curve
	spectra.Curve(&c)
	t.HideAssumed(&c)
	return reply(w, curveObject{id, spectra.DelayS * 1000, c.FrequencyHz, narrow(c.MagnitudeDB), narrow(c.MagnitudeLowDB), narrow(c.MagnitudeHighDB),
		narrow(c.PhaseDeg), narrow(c.PhaseErrorDeg), narrow(c.Coherence), narrow(c.Threshold), narrow(c.EffectiveAverages)})
}

func narrow(x []float64) wire.Values {
	v := make(wire.Values, len(x))
	for i := range x {
		v[i] = float32(x[i])
	}
	return v
}

func (s *Server) exportTake(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	format := r.PathValue("format")
	kinds := map[string]string{"csv": "text/csv; charset=utf-8", "json": "application/json", "wav": "audio/wav", "audio": "audio/wav"}
	if kinds[format] == "" {
		return &Error{Code: "format", Text: "a take can be had as csv, json, wav (its impulse response) or audio (what it was made of)", Status: http.StatusNotFound}
	}
	t, err := x.Take(id)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := writeTake(&out, x, t, format); err != nil {
		return err
	}
	ending := map[string]string{"audio": " audio.wav", "wav": " impulse.wav"}[format]
	if ending == "" {
		ending = "." + format
	}
	attach(w, kinds[format], fmt.Sprintf("take %d%s", id, ending))
	out.WriteTo(w) // an error means that the peer has gone
	return nil
}

func writeTake(w io.Writer, x *show.Show, t show.Take, format string) error {
	if format == "audio" {
		audio, err := x.TakeAudio(t.ID)
		if err != nil {
			return err
		}
		if audio == nil {
			return &Error{Code: "no_audio", Text: fmt.Sprintf("take %d was stored without audio", t.ID), Status: http.StatusNotFound}
		}
		return show.WriteWAV(w, audio.SampleRateHz, len(audio.Channels), audio.Samples)
	}
	var spectra response.Spectra
	if err := x.Spectra(t.ID, &spectra); err != nil {
		return err
	}
	switch format {
	case "csv":
		var c response.Curve
		spectra.Curve(&c)
		return show.WriteText(w, t, &c)
	case "json":
		return show.WriteJSON(w, t, &spectra)
	}
	samples, _, err := show.ImpulseOf(&spectra)
	if err != nil {
		return &Error{Code: "impulse", Text: fmt.Sprintf("take %d has no impulse response: %v", t.ID, err)}
	}
	return show.WriteWAV(w, int(math.Round(spectra.SampleRateHz)), 1, samples)
}

// importTake stores a response that was measured elsewhere.
func (s *Server) importTake(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	t := show.Take{Source: "import", Results: show.Results{DelaySDMs: wire.Unknown(), Polarity: wire.PolarityObject{Confidence: wire.Unknown()}}}
	var spectra *response.Spectra
	averages, err := query(r, "averages", 16, 2, 100000)
	if err != nil {
		return err
	}
	rate, err := query(r, "sample_rate_hz", 48000, 8000, 768000)
	if err != nil {
		return err
	}
	switch format := r.PathValue("format"); format {
	case "csv":
		text, err := show.ReadText(r.Body)
		if err != nil {
			return err
		}
		spectra, t.Results.AssumedAverages = text.Spectra(float64(rate), float64(averages))
		t.Results.AssumedCoherence, t.Results.AssumedPhase = text.Coherence == nil, text.PhaseDeg == nil
	case "json":
		if t, spectra, err = show.ReadJSON(r.Body); err != nil {
			return err
		}
	case "wav":
		if s.cfg.DecodeWAV == nil {
			return &Error{Code: "format", Text: "this daemon reads no WAV: import csv or json", Status: http.StatusNotFound}
		}
		data, err := io.ReadAll(r.Body)
		if err != nil {
			return err
		}
		rate, samples, err := s.cfg.DecodeWAV(data)
		if err != nil {
			return &Error{Code: "wav", Text: err.Error(), Cause: err}
		}
		if spectra, err = show.OfImpulse(rate, samples, float64(averages)); err != nil {
			return err
		}
		t.Results.AssumedAverages, t.Results.AssumedCoherence = true, true
	default:
		return &Error{Code: "format", Text: fmt.Sprintf("a take can be read from csv, json or wav, not %q", clip(format, 40)), Status: http.StatusNotFound}
	}
	t.Origin = show.Imported
	if t.TemperatureC == 0 {
		t.TemperatureC, t.Results.AssumedTemperature = s.board.Load().state.state.Settings.TemperatureC, true
	}
	if name := r.URL.Query().Get("name"); name != "" {
		t.Name = name
	}
	if t.Seat, err = query(r, "seat", 0, 1, math.MaxInt64); err != nil {
		return err
	}
	if t.Correction, err = query(r, "correction", 0, 1, math.MaxInt64); err != nil {
		return err
	}
	for _, id := range strings.FieldsFunc(r.URL.Query().Get("loudspeakers"), func(r rune) bool { return r == ',' }) {
		n, err := strconv.ParseInt(id, 10, 64)
		if err != nil {
			return &Error{Code: "query", Text: "loudspeakers must be numbers, parted by commas", Status: http.StatusBadRequest}
		}
		t.Loudspeakers = append(t.Loudspeakers, n)
	}
	return replyWith(w)(x.AddTake(t, spectra, nil, by))
}
