package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"plumbline/analyze/taketest"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// told is what response says of one microphone.
type told struct {
	DelayMs         *float64       `json:"delay_ms"`
	DelaySDMs       *float64       `json:"delay_sd_ms"`
	Cautions        []wire.Caution `json:"cautions"`
	FrequencyHz     []float64      `json:"frequency_hz"`
	MagnitudeDB     []*float64     `json:"magnitude_db"`
	MagnitudeLowDB  []*float64     `json:"magnitude_low_db"`
	MagnitudeHighDB []*float64     `json:"magnitude_high_db"`
	Polarity        struct {
		Verdict string `json:"verdict"`
	} `json:"polarity"`
}

func (m *told) codes() string {
	var list []string
	for _, c := range m.Cautions {
		list = append(list, c.Code)
	}
	return strings.Join(list, " ")
}

// responseTo runs response over a recording of these channels.
func responseTo(t *testing.T, rateHz float64, x, y []float64, args ...string) *told {
	t.Helper()
	path := record(t, "take.wav", int(rateHz), single(x), single(y))
	defer os.Remove(path)
	got := plumbline(t, append([]string{"response", path, "--json"}, args...)...)
	var r struct {
		Microphones []told `json:"microphones"`
	}
	if err := json.Unmarshal([]byte(got.stdout), &r); err != nil || len(r.Microphones) != 1 {
		t.Fatalf("%v: %s%s", err, got.stdout[:min(300, len(got.stdout))], got.stderr)
	}
	return &r.Microphones[0]
}

func single(x []float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v)
	}
	return out
}

// off is the share of points at which two curves differ by more than both intervals
// and a tenth of a decibel explain, and how many were compared.
func off(a, b *told) (share float64, points int) {
	for k := range a.FrequencyHz {
		la, ha, lb, hb := a.MagnitudeLowDB[k], a.MagnitudeHighDB[k], b.MagnitudeLowDB[k], b.MagnitudeHighDB[k]
		if la == nil || ha == nil || lb == nil || hb == nil {
			continue
		}
		points++
		if *la > *hb+0.1 || *ha < *lb-0.1 {
			share++
		}
	}
	return share / max(1, float64(points)), points
}

// restless is a take that moved, and what response should say of it.
type restless struct {
	what    string
	y       []float64
	code    string
	lateMs  []float64 // delays that are right, re the take's
	exactMs float64   // how nearly
}

// spoil makes the path of a take move, lose samples, or its gain.
func spoil(k *taketest.Take, seed uint64) restless {
	r := taketest.New(99 + seed)
	seconds := float64(len(k.Y)) / k.RateHz
	moment := func() float64 { return seconds * (0.15 + 0.7*r.Float64()) }
	switch kind := seed % 8; kind {
	case 0:
		ppm := 0.7 * math.Pow(140, r.Float64()) * float64(1-2*r.IntN(2))
		return restless{fmt.Sprintf("drift of %.2f ppm", ppm), taketest.Drift(k.Y, k.RateHz, ppm), "moving", []float64{1e-3 * ppm * seconds / 2}, 0.005}
	case 1:
		hz, peak := 0.1+0.25*r.Float64(), 20e-6*math.Pow(4, r.Float64())
		return restless{fmt.Sprintf("wanders by ±%.0f µs at %.2f Hz", 1e6*peak, hz), taketest.Warp(k.Y, k.RateHz, func(t float64) float64 { return peak * math.Sin(2*math.Pi*hz*t) }), "moving", []float64{0}, 1000 * peak}
	case 2, 3, 4, 5:
		count := [...]int{480, 960, 1, 7}[kind-2]
		at := []float64{moment()}
		if r.IntN(2) == 0 {
			at = []float64{0.22 * seconds, 0.45 * seconds, 0.8 * seconds}
		}
		s := restless{fmt.Sprintf("lost %d at %.1f s", count, at), taketest.Lose(k.Y, k.RateHz, count, at...), "lost_samples", []float64{0}, 0.004}
		for i := range at {
			s.lateMs = append(s.lateMs, -1000*float64((i+1)*count)/k.RateHz)
		}
		return s
	case 6:
		at, db := moment(), 3*float64(1-2*r.IntN(2))
		return restless{fmt.Sprintf("%+.0f dB at %.1f s", db, at), taketest.Ride(k.Y, k.RateHz, func(t float64) float64 {
			if t > at {
				return db
			}
			return 0
		}), "not_linear", []float64{0}, 0.004}
	}
	hz := 0.1 + 0.2*r.Float64()
	return restless{fmt.Sprintf("rides ±2 dB at %.2f Hz", hz), taketest.Ride(k.Y, k.RateHz, func(t float64) float64 { return 2 * math.Sin(2*math.Pi*hz*t) }), "not_linear", []float64{0}, 0.004}
}

// wrong says what of an answer is off the truth, the take without noise and at rest.
func (s *restless) wrong(k *taketest.Take, got, truth *told) (out []string) {
	if got.DelayMs != nil && truth.DelayMs != nil {
		sd := 0.0
		for _, m := range []*told{got, truth} {
			if m.DelaySDMs != nil {
				sd = math.Hypot(sd, *m.DelaySDMs)
			}
		}
		least := math.Inf(1)
		for _, late := range s.lateMs {
			least = min(least, math.Abs(*got.DelayMs-*truth.DelayMs-late))
		}
		if least > s.exactMs+5*sd {
			out = append(out, fmt.Sprintf("delay %.4f ms off", least))
		}
		if want := map[int]string{1: "opposite", -1: "same"}[k.Sign]; got.Polarity.Verdict == want {
			out = append(out, "polarity")
		}
	}
	if share, points := off(got, truth); points > 0 && share > 0.1 && !strings.HasPrefix(s.what, "rides") && s.code != "not_linear" {
		out = append(out, fmt.Sprintf("%.0f %% of %d points", 100*share, points))
	}
	return out
}

// A take whose path moves, whose samples are lost or whose gain changes is marked, and
// what is told of it is right: followed, or of the part that stood still.
func TestTakesThatDidNotStandStill(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	const rateHz, seconds = 48000, 15
	takes, first := 4, uint64(160)
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		takes, first = 250, 10000
	}
	if s := os.Getenv("STILL_FIRST"); s != "" {
		fmt.Sscan(s, &first, &takes)
	}
	unmarked, wrong, silent := 0, 0, 0
	for i := range takes {
		seed := first + uint64(i)
		k := taketest.Random(seed, rateHz, seconds)
		s := spoil(k, seed)
		truth := responseTo(t, rateHz, k.X, k.Heard)
		got := responseTo(t, rateHz, k.X, s.y)
		said := strings.Contains(got.codes(), s.code) || s.code == "moving" && strings.Contains(got.codes(), "lost_samples")
		bad := s.wrong(k, got, truth)
		if len(bad) > 0 && strings.HasPrefix(bad[0], "delay") {
			// Of some programmes noise makes the delay another than without.
			truth.DelayMs, truth.DelaySDMs = nil, nil
			if clean := responseTo(t, rateHz, k.X, k.Y); clean.DelayMs != nil {
				truth.DelayMs, truth.DelaySDMs = clean.DelayMs, clean.DelaySDMs
			}
			bad = s.wrong(k, got, truth)
		}
		if got.DelayMs == nil {
			silent++
		}
		if len(bad) > 0 {
			wrong++
		}
		if !said {
			unmarked++
		}
		if len(bad) > 0 || !said {
			t.Logf("%s; %s: said %q, wrong %q", k.Name, s.what, got.Cautions, bad)
		}
		if len(bad) > 0 && len(got.Cautions) == 0 {
			t.Errorf("%s; %s: wrong and unmarked: %q", k.Name, s.what, bad)
		}
	}
	t.Attr("truth", fmt.Sprintf("a path that drifts, wanders, loses samples, or whose gain steps or rides: 0 wrong and unmarked in %d | %d not marked as such, %d wrong though marked, %d without a delay | own simulation", takes, unmarked, wrong, silent))
	if unmarked > takes/100 {
		t.Errorf("%d of %d are not marked as such", unmarked, takes)
	}
}

// A clean take is hardly ever marked, with whatever caution.
func TestCleanTakesAreNotMarked(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	const rateHz, seconds = 48000, 15
	takes, first := 2, uint64(700)
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		takes, first = 500, 20000
	}
	if s := os.Getenv("STILL_FIRST"); s != "" {
		fmt.Sscan(s, &first, &takes)
	}
	marked := 0
	for i := range takes {
		k := taketest.Random(first+uint64(i), rateHz, seconds)
		if got := responseTo(t, rateHz, k.X, k.Y); len(got.Cautions) > 0 {
			marked++
			t.Logf("%s: %q", k.Name, got.Cautions)
		}
	}
	t.Attr("truth", fmt.Sprintf("clean takes of any programme, room and noise: at most 1 %% marked with anything | %d of %d | own simulation", marked, takes))
	if marked > takes/100 {
		t.Errorf("%d of %d clean takes are marked", marked, takes)
	}
}

// Samples lost half way are no second loudspeaker 10 ms away: arrivals lists what it
// lists of the take without the loss, at the same times.
func TestLostSamplesAreNoSecondLoudspeaker(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	k := taketest.Random(9, 48000, 9) // pink noise
	list := func(y []float64) (delays []float64, codes string) {
		path := record(t, "take.wav", 48000, single(k.X), single(y))
		got := plumbline(t, "arrivals", path, "--json")
		var r struct {
			Microphones []struct {
				Cautions []wire.Caution `json:"cautions"`
				Arrivals []struct {
					DelayMs float64 `json:"delay_ms"`
				} `json:"arrivals"`
			} `json:"microphones"`
		}
		if err := json.Unmarshal([]byte(got.stdout), &r); err != nil || len(r.Microphones) != 1 {
			t.Fatalf("%v: %s%s", err, got.stdout, got.stderr)
		}
		for _, a := range r.Microphones[0].Arrivals {
			delays = append(delays, a.DelayMs)
		}
		for _, c := range r.Microphones[0].Cautions {
			codes += c.Code
		}
		return delays, codes
	}
	want, _ := list(k.Y)
	got, codes := list(taketest.Lose(k.Y, 48000, 480, 3))
	if codes != "lost_samples" || len(want) == 0 || len(got) != len(want) {
		t.Fatalf("%q: %v, want those at %v", codes, got, want)
	}
	for i := range got {
		if math.Abs(got[i]-want[i]) > 0.02 {
			t.Errorf("arrival %d at %.3f ms, want %.3f", i+1, got[i], want[i])
		}
	}
}
