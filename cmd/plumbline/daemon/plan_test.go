package daemon

import (
	"math"
	"math/cmplx"
	"net/http"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/capture/rig"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// heard is a take of a loudspeaker that arrives so late, or, dead, of noise alone.
func heard(delayMs float64, dead bool) *response.Spectra {
	const window, rate = 4096, 48000
	s := &response.Spectra{SampleRateHz: rate, Window: window, Overlap: 0.75, DelayS: delayMs / 1000, AveragedS: 8}
	for k := range window/2 + 1 {
		h := 0.5 * cmplx.Rect(1, 0.1*math.Sin(float64(k))) // a little phase of its own
		if dead {
			h = 0
		}
		s.FrequencyHz = append(s.FrequencyHz, float64(k)*rate/window)
		s.Gxx, s.Gxy, s.Gyy = append(s.Gxx, 1), append(s.Gxy, h), append(s.Gyy, real(h*cmplx.Conj(h))+1e-4)
		s.EffectiveAverages = append(s.EffectiveAverages, 30)
	}
	return s
}

// A loudspeaker that died is said in words when the band is set by hand, and when
// a plan that was kept has set it: the answer comes, and so does the report.
func TestDeadLoudspeakerInABandSetByHand(t *testing.T) {
	h := newHall(t, rig.Demo())
	x, err := h.shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	speakers, err := x.Loudspeakers()
	if err != nil {
		t.Fatal(err)
	}
	seats, err := x.Seats()
	if err != nil {
		t.Fatal(err)
	}
	take := func(loudspeaker int, s *response.Spectra) {
		t.Helper()
		_, err := x.AddTake(show.Take{
			Origin: show.Measured, Source: "hall", Reference: 1, Microphone: 2, TemperatureC: 20,
			Seat: seats[0].ID, Loudspeakers: []int64{speakers[loudspeaker].ID},
		}, s, nil, "test")
		if err != nil {
			t.Fatal(err)
		}
	}
	take(0, heard(20, false))
	take(1, heard(17, false))
	main, fill := speakers[0].Name, speakers[1].Name
	h.must("POST", "/api/v1/align/plan", "", wire.PlanRequest{Main: main, Fill: fill, LowHz: 200, HighHz: 4000}, nil)
	take(1, heard(17, true))
	var a wire.Align
	h.must("GET", "/api/v1/align?low_hz=200&high_hz=4000&main="+main+"&fill="+fill, "", nil, &a)
	if said := strings.Join(a.Reasons, " "); a.Plan != nil || !strings.Contains(said, "nothing is trusted in 200 Hz to 4 kHz") || !strings.Contains(said, "play louder") {
		t.Errorf("plan %+v, said %q", a.Plan, said)
	}
	if status, text := h.do("GET", "/api/v1/show/report", "", nil, nil); status != http.StatusOK || !strings.Contains(text, "nothing is trusted in 200 Hz to 4 kHz") {
		t.Errorf("the report: %d %.300s", status, text)
	}
	if status, text := h.do("POST", "/api/v1/align/plan", "", wire.PlanRequest{Main: main, Fill: fill, LowHz: 200, HighHz: 4000}, nil); status != http.StatusConflict || !strings.Contains(text, "nothing is trusted") {
		t.Errorf("a plan of nothing: %d %s", status, text)
	}
}
