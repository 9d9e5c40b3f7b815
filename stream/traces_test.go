package stream

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// What the newest frame shows is what is stored; others hear of it at once.
func TestTracesOverHTTP(t *testing.T) {
	s := serveShows(t)
	call[show.Info](t, s, 200, "POST", "/api/v1/shows", `{"name":"hall"}`)
	if got := call[wire.ErrorBody](t, s, 503, "POST", "/api/v1/show/traces", `{}`); got.Error.Code != "no_frame" {
		t.Errorf("%+v", got)
	}
	s.Publish(frametest.New(1))
	frame, _ := s.Frame()
	m := frame.Microphones[0]
	p := s.open(t)
	trace := call[show.Trace](t, s, 200, "POST", "/api/v1/show/traces", `{}`)
	if trace.Number != 1 || trace.Name != "Trace 1" || !trace.Shown || trace.Microphone != m.Channel || trace.By != "c7" {
		t.Errorf("%+v", trace)
	}
	for {
		if said, _ := p.until("show"); said["show"] != nil {
			break
		}
	}
	curve := call[show.TraceCurve](t, s, 200, "GET", fmt.Sprintf("/api/v1/show/traces/%d/curve", trace.ID), "")
	for i, v := range m.MagnitudeDB {
		if v == v && (curve.MagnitudeDB[i] != v || curve.Coherence[i] != m.Coherence[i] || curve.FrequencyHz[i] != m.FrequencyHz[i]) {
			t.Fatalf("at %g Hz %g dB were seen, %g dB are stored", m.FrequencyHz[i], v, curve.MagnitudeDB[i])
		}
	}
	hidden := call[show.Trace](t, s, 200, "PATCH", fmt.Sprintf("/api/v1/show/traces/%d", trace.ID), `{"shown":false,"name":"before"}`)
	if hidden.Shown || hidden.Name != "before" || hidden.Number != 1 {
		t.Errorf("%+v", hidden)
	}
	// With several microphones the seat says more than a number.
	f := frametest.New(2)
	f.Seq = 2
	s.Publish(f)
	for _, want := range []string{"seat 2", "seat 2, 2"} {
		seat := call[show.Trace](t, s, 200, "POST", "/api/v1/show/traces", `{"microphone":3}`)
		if seat.Heard != "seat 2" || seat.Name != want {
			t.Errorf("%+v", seat)
		}
		call[any](t, s, 200, "PATCH", fmt.Sprintf("/api/v1/show/traces/%d", seat.ID), `{"shown":false}`)
	}
	call[wire.ErrorBody](t, s, 409, "POST", "/api/v1/show/traces", `{"microphone":40}`)

	call[show.Take](t, s, 200, "POST", "/api/v1/show/takes", `{"name":"main"}`)
	ofTake := call[show.Trace](t, s, 200, "POST", "/api/v1/show/traces", `{"take":1}`)
	if ofTake.Name != "main" || ofTake.Heard != "take 1" || ofTake.Number != 4 {
		t.Errorf("%+v", ofTake)
	}
	imported := call[show.Trace](t, s, 200, "POST", "/api/v1/show/traces/import?name=from+elsewhere", "100 -3\n1000 0\n")
	bare := call[show.TraceCurve](t, s, 200, "GET", fmt.Sprintf("/api/v1/show/traces/%d/curve", imported.ID), "")
	if len(bare.Coherence) != 0 || len(bare.PhaseDeg) != 0 || len(bare.MagnitudeDB) != 2 || imported.Name != "from elsewhere" {
		t.Errorf("%+v, %+v", imported, bare)
	}

	target := call[show.Target](t, s, 200, "POST", "/api/v1/show/targets/import?name=house", "20 6\n20000 -6\n")
	if !target.Shown || target.ToleranceDB != show.DefaultToleranceDB || target.Name != "house" {
		t.Errorf("%+v", target)
	}
	if got := call[wire.ErrorBody](t, s, 422, "POST", "/api/v1/show/targets/import", "no numbers"); !strings.Contains(got.Error.Text, "frequency in Hz and magnitude in dB") {
		t.Errorf("%+v", got)
	}
}
