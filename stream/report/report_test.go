package report

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"flag"
	"html"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

var update = flag.Bool("update", false, "rewrite the golden file")

// response is a loudspeaker at 48 points an octave: level dB, late by ms.
func response(hz []float64, levelDB, ms, sign float64) wire.Complex {
	var c wire.Complex
	for _, f := range hz {
		h := sign * math.Pow(10, levelDB/20)
		sin, cos := math.Sincos(-2 * math.Pi * f * ms / 1000)
		c.Re, c.Im, c.Trusted = append(c.Re, float32(h*cos)), append(c.Im, float32(h*sin)), append(c.Trusted, true)
	}
	return c
}

// hostile is a name that would do harm where it is not escaped.
const hostile = `</title><script>alert("x")</script>: "} body{display:none} '&`

// hall is two seats with a fill that is late and turned.
func hall(name string) Data {
	var hz []float64
	for i := range 12 {
		hz = append(hz, 100*math.Exp2(float64(i)/2))
	}
	curve := wire.DelayCurve{}
	var delays []float64
	for i := range 21 {
		ms := -5 + float64(i)*0.5
		delays = append(delays, ms)
		curve.SameDB = append(curve.SameDB, float32(-6-math.Abs(ms)/5))
		curve.OppositeDB = append(curve.OppositeDB, float32(-1-math.Abs(ms+2)))
	}
	seat := func(id int64, name string, plan float64) wire.AlignSeat {
		both := response(hz, -13, 0, 1)
		return wire.AlignSeat{
			Seat: id, Name: name, TodayDB: -7, PlanDB: wire.Value(plan), OffsetMs: 2, Polarity: "opposite", BandHz: []float64{100, 4000},
			LevelADB: -10, LevelBDB: -12, LevelBothDB: -13, IdealGainDB: 6.02, GainDB: -3, GainLowDB: -3.1, GainHighDB: -2.9, PlanGainDB: 5.1,
			SpreadMs: 0.22, HeadsDB: -2.4, HeadsPlanDB: 4.2, ChangeDB: 6.6,
			Ledger: []wire.LedgerRow{
				{Cause: "level", ChangeDB: -1, LowDB: -1.1, HighDB: -0.9, Sentence: name + " is quieter."},
				{Cause: "time", ChangeDB: -5, LowDB: -5.2, HighDB: -4.8, Sentence: "Late."},
				{Cause: "polarity", ChangeDB: -3.5, LowDB: -3.6, HighDB: -3.4, Sentence: "Turned."},
				{Cause: "rest", ChangeDB: 0.48, LowDB: 0.4, HighDB: 0.56, Sentence: "Noise."},
			},
			FrequencyHz: hz, A: response(hz, -10, 0, 1), B: response(hz, -12, 2, -1), Both: &both, Curve: curve,
		}
	}
	settings := []wire.DialChange{{Loudspeaker: name + " fill", Known: true, From: wire.Dial{DelayMs: 6, Polarity: "opposite"}, To: wire.Dial{DelayMs: 4, Polarity: "same"}}}
	align := wire.Align{
		Main: name + " main", Fill: name + " fill", BandHz: []float64{100, 4000}, BandFound: true, Aim: wire.AimMean,
		Plan: &wire.PlannedObject{
			PlanObject: wire.PlanObject{Wait: "A", Loudspeaker: name + " main", DelayMs: 2, DistanceM: 0.69, PolarityB: "opposite"},
			LowDB:      -1.4, HighDB: -1.0, DelaySDMs: 0.01,
		},
		Certainty: "sure", Reason: "Sure: nothing else comes within 0.5 dB.",
		Settings: settings, Efficiency: wire.EfficiencyObject{Today: -7, Plan: -1.2, RunnerUp: wire.Unknown()}, FlatnessMs: 0.1, TemperatureC: 21.5, SpreadM: 0.1,
		Promise: wire.Promise{
			ChangeDB: 6.6, Seats: 2, Losing: []string{}, AddsUpToHz: 1000, NothingFromHz: 1600, Worth: true,
			Text: "The plan gives 6.6 dB more on the mean of 2 seats.", ReachText: "Where heads are, " + name + " main and the other add up to 1.0 kHz.",
		},
		Seats: []wire.AlignSeat{seat(1, name+" one", -1), seat(2, name+" two", -1.4)}, Curve: wire.DelayCurve{DelayMs: delays, SameDB: curve.SameDB, OppositeDB: curve.OppositeDB},
		Reasons: []string{name + " is why."}, Missing: []string{},
	}
	proof := wire.Verification{Plan: 3, Seat: 1, SeatName: name + " one", Pass: true, Text: name + " one passes.", DifferenceDB: 0.2, Polarity: "same"}
	position := wire.Position{9, 6.5, 1.2}
	return Data{
		Show: wire.Show{Name: name, File: "hall.show", Revision: 25, Takes: 2, Seats: 2, Loudspeakers: 2},
		Made: time.Date(2026, 5, 4, 18, 30, 0, 0, time.UTC), Version: "v1.2.3", Operator: name + " operator", Remark: name + " remark",
		Loudspeakers: []show.Loudspeaker{{ID: 1, Name: name + " main", Role: "main"}, {ID: 2, Name: name + " fill"}},
		Seats:        []show.Seat{{ID: 1, Name: name + " one", PositionM: &position, Note: name + " note"}, {ID: 2, Name: name + " two"}},
		Takes: []show.Take{
			{ID: 1, At: "2026-05-04T17:05:00Z", Seat: 1, Loudspeakers: []int64{1}, Source: name + " source", SampleRateHz: 48000, Window: 32768, DelayMs: 22.4, AveragedS: 4, TemperatureC: 21.5, Note: name + " take",
				Results: show.Results{Levels: &wire.LevelsObject{RMSDBFS: -31.3}}},
			{ID: 2, At: "2026-05-04T17:20:00Z", Seat: 2, Loudspeakers: []int64{1, 2}, SampleRateHz: 48000, TemperatureC: 22.5, AveragedS: 5},
		},
		Notes: []show.Note{{ID: 1, Text: name + " remark of the day", By: name}},
		Pairs: []Pair{{Align: align, Plan: &wire.StoredPlan{ID: 3, Name: name, Main: name + " main", Fill: name + " fill", Settings: settings, Dialled: true, Verified: []wire.Verification{proof}}}},
	}
}

func write(t *testing.T, d Data) string {
	t.Helper()
	var out bytes.Buffer
	if err := Write(&out, d); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// The golden file says unchanged; that it is right is for eyes and the other tests.
func TestPageIsUnchanged(t *testing.T) {
	got := write(t, hall("small"))
	path := filepath.Join("testdata", "report.html")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the report has changed; if it should, run go test -update and look at testdata/report.html")
	}
}

// What people have named can do nothing, wherever it stands: text, attribute,
// style sheet, drawing.
func TestNamesAreEscaped(t *testing.T) {
	page := write(t, hall(hostile))
	for _, bad := range []string{"<script", "ZgotmplZ"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page contains %q", bad)
		}
	}
	style := page[strings.Index(page, "<style>"):strings.Index(page, "</style>")]
	if n := strings.Count(style, `content: "`); n != 4 {
		t.Errorf("%d running texts, want 4", n)
	}
	if strings.Contains(style, "body{") {
		t.Error("a name has become a rule of the style")
	}
	if open, closed := strings.Count(style, "{"), strings.Count(style, "}"); open != closed {
		t.Errorf("%d braces open and %d close in the style", open, closed)
	}
	// All of it is there, as text.
	text := html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page[strings.Index(page, "<body>"):], ""))
	for _, want := range []string{" operator", " remark", " two ▼ worst", " source", " note", " is why.", " remark of the day", " fill"} {
		if !strings.Contains(text, hostile+want) {
			t.Errorf("the page lacks the name and %q", want)
		}
	}
}

// The page asks nobody for anything.
func TestPageStandsAlone(t *testing.T) {
	page := write(t, hall("small"))
	if found := regexp.MustCompile(`(?i)<script|<link|<img|<iframe|\bsrc=|https?://|url\(|@import|\son[a-z]+=`).FindString(page); found != "" {
		t.Errorf("the page contains %q", found)
	}
	for _, want := range []string{"▼ worst", "To dial in", "Cautions", "Protect your hearing", "21.5 to 22.5 °C", "4 May 2026, 17:05 to 17:20", "plumbline v1.2.3", "−3.0 ±0.1", "holds at small one"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if tags := []int{strings.Count(page, "<svg"), strings.Count(page, "</svg>")}; tags[0] != 5 || tags[1] != 5 {
		t.Errorf("%v drawings, want the sum over delay, and response and ledger of two seats", tags)
	}
}

// The attachment is the data, to the last digit.
func TestNumbersAreAttached(t *testing.T) {
	d := hall("small")
	m := regexp.MustCompile(`href="data:application/json;base64,([^"]+)"`).FindStringSubmatch(write(t, d))
	if m == nil {
		t.Fatal("nothing is attached")
	}
	raw, err := base64.StdEncoding.DecodeString(html.UnescapeString(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Operator string      `json:"operator"`
		Takes    []show.Take `json:"takes"`
		Pairs    []Pair      `json:"pairs"`
	}
	if err := json.Unmarshal(raw, &got); err != nil {
		t.Fatal(err)
	}
	if got.Operator != d.Operator || len(got.Takes) != 2 || len(got.Pairs) != 1 {
		t.Fatalf("attached: %.200s", raw)
	}
	for i, s := range d.Pairs[0].Align.Seats {
		a := got.Pairs[0].Align.Seats[i]
		for k := range s.FrequencyHz {
			if a.A.Re[k] != s.A.Re[k] || a.B.Im[k] != s.B.Im[k] || a.FrequencyHz[k] != s.FrequencyHz[k] {
				t.Fatalf("seat %d, point %d: %v, want %v", i, k, a.A.Re[k], s.A.Re[k])
			}
		}
		if a.GainDB != s.GainDB || a.Ledger[2] != s.Ledger[2] {
			t.Errorf("seat %d: %+v", i, a.Ledger)
		}
	}
	if d.Pairs[0].Align.Seats[0].Name == "" {
		t.Error("attaching has changed the data")
	}
}

// With the plan dialled in the two add up in phase: the sum of the amplitudes,
// everywhere (phasor sum, elementary).
func TestPredictionAddsUp(t *testing.T) {
	a := hall("small").Pairs[0].Align
	want := 20 * math.Log10(math.Pow(10, -10./20)+math.Pow(10, -12./20))
	for i, v := range predicted(a.Seats[0], &a.Plan.PlanObject) {
		if math.Abs(v-want) > 1e-5 {
			t.Errorf("%g Hz: %.6f dB, want %.6f dB", a.Seats[0].FrequencyHz[i], v, want)
		}
	}
}

// Bars of the ledger begin where the one before ends, and the last is the sum.
func TestLedgerFallsWithoutGaps(t *testing.T) {
	s := hall("small").Pairs[0].Align.Seats[0]
	bars := regexp.MustCompile(`<rect x="([\d.]+)" y="[\d.]+" width="([\d.]+)"`).FindAllStringSubmatch(string(ledgerPlot(s)), -1)
	if len(bars) != len(s.Ledger)+2 {
		t.Fatalf("%d bars for %d causes", len(bars), len(s.Ledger))
	}
	var edges [][2]float64
	for _, b := range bars {
		var x, w float64
		if err := json.Unmarshal([]byte("["+b[1]+","+b[2]+"]"), &[]*float64{&x, &w}); err != nil {
			t.Fatal(err)
		}
		edges = append(edges, [2]float64{x, x + w})
	}
	scale := (edges[0][1] - edges[0][0]) / 6.02 // of a decibel
	at := edges[0][1]
	for i, r := range s.Ledger {
		from, to := at, at+float64(r.ChangeDB)*scale
		if e := edges[i+1]; math.Abs(e[0]-min(from, to)) > 0.2 || math.Abs(e[1]-max(from, to)) > 0.2 {
			t.Errorf("%s lies at %v, want %v to %v", r.Cause, e, from, to)
		}
		at = to
	}
	if last := edges[len(edges)-1]; math.Abs(last[0]-at) > 0.2 || math.Abs(last[1]-edges[0][0]) > 0.2 {
		t.Errorf("the sum lies at %v, want %v to 0", last, at)
	}
}

// A seat at which nothing is trusted has a plot without curves, not one that
// never ends.
func TestSeatWithoutTrust(t *testing.T) {
	d := hall("small")
	a := &d.Pairs[0].Align
	for i := range a.Seats[0].A.Trusted {
		a.Seats[0].A.Trusted[i], a.Seats[0].B.Trusted[i], a.Seats[0].Both.Trusted[i] = false, false, false
	}
	// At the other nothing is heard of A at one frequency: 20 lg 0 is −Inf.
	a.Seats[1].A.Re[3], a.Seats[1].A.Im[3] = 0, 0
	for i, curves := range []int{0, 4} {
		plot := string(magnitudePlot(*a, a.Seats[i]))
		if n := strings.Count(plot, `stroke-linejoin`); n != curves {
			t.Errorf("%s: %d curves, want %d", a.Seats[i].Name, n, curves)
		}
		if strings.Contains(plot, "NaN") || strings.Contains(plot, "Inf") {
			t.Errorf("%s: %s", a.Seats[i].Name, plot)
		}
	}
}

// A show in which nothing was measured has a report too.
func TestEmptyShow(t *testing.T) {
	page := write(t, Data{Show: wire.Show{File: "new.show"}, Made: time.Date(2026, 5, 4, 18, 30, 0, 0, time.UTC)})
	if !strings.Contains(page, "Nothing has been measured yet.") || !strings.Contains(page, "Cautions") || strings.Contains(page, "<svg") {
		t.Errorf("%.600s", page)
	}
}

// A pair that cannot be aligned says why.
func TestPairWithoutPlan(t *testing.T) {
	d := hall("small")
	d.Pairs[0] = Pair{Align: wire.Align{Main: "main", Fill: "fill", Missing: []string{"seat 1: fill alone"}, Reasons: []string{"No seat has both."}}}
	if page := write(t, d); !strings.Contains(page, "Cannot tell how they add up. Missing: seat 1: fill alone. No seat has both.") {
		t.Error("the page does not say why there is no plan")
	}
}

// What was imported and knows no temperature does not make the room freeze.
func TestAirOfImportedTakes(t *testing.T) {
	d := Data{Takes: []show.Take{
		{At: "2026-05-04T17:05:00Z", Origin: show.Measured, TemperatureC: 21.5},
		{At: "2026-05-04T17:06:00Z", Origin: show.Imported},
		{At: "2026-05-04T17:06:00Z", Origin: show.Imported, TemperatureC: 35, Results: show.Results{AssumedTemperature: true}},
	}}
	if _, air := d.span(); air != "21.5 °C" || d.air() != 21.5 {
		t.Errorf("air %q, %g", air, d.air())
	}
	d.Takes = d.Takes[1:]
	if _, air := d.span(); air != "" || d.air() != 20 {
		t.Errorf("air %q, %g", air, d.air())
	}
}
