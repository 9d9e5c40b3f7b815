package stream

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"slices"

	"plumbline/stream/report"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// reportPolicy is that of the one page that brings its own style: a report
// must look alike when it is kept as a file.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// reportScript allows the one script that a report has, by its hash.
func reportScript(s report.Script) string {
	if s.Source == "" {
		return ""
	}
	return "; script-src " + s.Source
}

// report serves the open show as one page.
func (s *Server) report(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	data, err := s.reportData(r, x)
	if err != nil {
		return err
	}
	var page bytes.Buffer // an error must not come after half a page
	if err := report.Write(&page, data); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", reportPolicy+reportScript(data.Script))
	h.Set("Cache-Control", "no-store")
	page.WriteTo(w) // an error means that the peer has gone
	return nil
}

func (s *Server) reportData(r *http.Request, x *show.Show) (d report.Data, err error) {
	d.Made, d.Version = s.now(), programVersion()
	if d.Venue, err = words(r, "venue", 80); err != nil {
		return d, err
	}
	if d.Operator, err = words(r, "operator", 80); err != nil {
		return d, err
	}
	if d.Remark, err = words(r, "remark", 500); err != nil {
		return d, err
	}
	if s.cfg.UI != nil {
		if d.Script, err = report.Join(s.cfg.UI); err != nil {
			return d, err
		}
	}
	if d.Show, err = x.Info(); err != nil {
		return d, err
	}
	if d.Loudspeakers, err = x.Loudspeakers(); err != nil {
		return d, err
	}
	if d.Seats, err = x.Seats(); err != nil {
		return d, err
	}
	if d.Takes, err = x.Takes(show.Filter{}); err != nil {
		return d, err
	}
	if d.Damage, err = x.Damage(r.Context()); err != nil {
		return d, err
	}
	if d.Notes, err = x.Notes(); err != nil {
		return d, err
	}
	if err = addTraces(&d, x); err != nil {
		return d, err
	}
	d.Notes = slices.DeleteFunc(d.Notes, func(n show.Note) bool { return n.Kind != "" })
	if s.cfg.Rig != nil {
		scene := s.cfg.Rig.Rig()
		d.Places = &report.Places{RoomM: scene.Room.SizeM, Loudspeakers: map[string][3]float64{}}
		for _, l := range scene.Loudspeakers {
			d.Places.Loudspeakers[l.Name] = l.PositionM
		}
	}
	if s.cfg.Align == nil || len(d.Loudspeakers) < 2 || len(d.Takes) == 0 {
		return d, nil
	}
	kept, err := x.Plans()
	if err != nil {
		return d, err
	}
	main := d.Loudspeakers[0]
	if i := slices.IndexFunc(d.Loudspeakers, func(l show.Loudspeaker) bool { return l.Role == "main" }); i >= 0 {
		main = d.Loudspeakers[i]
	}
	for _, fill := range d.Loudspeakers {
		if fill.ID == main.ID {
			continue
		}
		p, err := s.reportPair(r, main.Name, fill.Name, kept)
		if err != nil {
			return d, err
		}
		if p.Align.Plan != nil || p.Plan != nil {
			d.Pairs = append(d.Pairs, p)
		}
	}
	return d, nil
}

// addTraces adds what stands beside the live trace.
func addTraces(d *report.Data, x *show.Show) error {
	traces, err := x.Traces()
	if err != nil {
		return err
	}
	slices.SortFunc(traces, func(a, b show.Trace) int { return cmp.Compare(a.Number, b.Number) })
	for _, t := range traces {
		if !t.Shown {
			continue
		}
		curve, err := x.TraceCurve(t.ID)
		if refusal, ok := errors.AsType[*wire.Error](err); ok && refusal.Code == show.CodeDamaged {
			d.Damage = append(d.Damage, refusal.Text+".")
			continue
		}
		if err != nil {
			return err
		}
		d.Traces = append(d.Traces, report.Trace{Trace: t, Curve: curve})
	}
	targets, err := x.Targets()
	for i := range targets {
		if targets[i].Shown {
			d.Target = &targets[i] // the newest, as on Listen
		}
	}
	return err
}

// reportPair is what the takes say of two loudspeakers, asked as the newest plan
// of theirs was.
func (s *Server) reportPair(r *http.Request, main, fill string, kept []show.Plan) (report.Pair, error) {
	q := wire.AlignQuery{Main: main, Fill: fill, Aim: wire.AimMean}
	var p report.Pair
	for _, k := range kept {
		var plan wire.StoredPlan
		if err := json.Unmarshal(k.Body, &plan); err == nil && plan.Main == main && plan.Fill == fill && len(plan.Settings) > 0 {
			plan.ID, plan.Name = k.ID, k.Name
			p.Plan = &plan
		}
	}
	if p.Plan != nil {
		q.Aim, q.Gain, q.SpreadM = p.Plan.Aim, p.Plan.Plan.GainBDB != 0, p.Plan.SpreadM
		if q.SpreadM == nil { // a plan of before there was a spread is for the points
			q.SpreadM = new(float64)
		}
	}
	var err error
	if p.Align, err = s.cfg.Align.Align(r.Context(), q); err != nil {
		return p, err
	}
	// A band that was set by hand, or found before there were more takes.
	if p.Plan != nil && len(p.Plan.BandHz) == 2 && !slices.Equal(p.Plan.BandHz, p.Align.BandHz) {
		q.LowHz, q.HighHz = p.Plan.BandHz[0], p.Plan.BandHz[1]
		p.Align, err = s.cfg.Align.Align(r.Context(), q)
	}
	return p, err
}

// words is a line of text that somebody wrote into a query.
func words(r *http.Request, key string, most int) (string, error) {
	text := r.URL.Query().Get(key)
	if wire.CheckLine("query", key, text, most) != nil {
		return "", &Error{Code: "query", Text: fmt.Sprintf("%s must be one line of plain text of at most %d characters", key, most), Status: http.StatusBadRequest}
	}
	return text, nil
}

// programVersion is that of the program this is built into.
func programVersion() string {
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(unknown)"
}
