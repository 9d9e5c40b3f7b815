package report

import (
	"bytes"
	"crypto/sha256"
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
	"testing/fstest"
	"time"
	"unicode/utf8"

	"plumbline/stream/show"
	"plumbline/stream/verdict"
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
		Show: wire.Show{Name: name, File: "hall.plumbline", Revision: 25, Takes: 2, Seats: 2, Loudspeakers: 2},
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
	if strings.Contains(page, "ZgotmplZ") || strings.Count(page, "<script") != 2 || strings.Count(page, "</script") != 2 {
		t.Error("the page has other scripts than its own two")
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
	for _, want := range []string{" operator", " remark", " two", " source", " note", " is why.", " remark of the day", " fill"} {
		if !strings.Contains(text, hostile+want) {
			t.Errorf("the page lacks the name and %q", want)
		}
	}
}

// Long names are cut so that they stay apart, in tables and in sentences alike, and each is
// there in full, once.
func TestLongNames(t *testing.T) {
	long := "stalls under the wide balcony, left of the aisle, row 12, seat "
	n := shorten([]string{"main", long + "7", long + "8", long + "78", long + "8"})
	if len(n.Keys) != 3 {
		t.Fatalf("keys: %+v", n.Keys)
	}
	seen := map[string]bool{}
	for _, k := range n.Keys {
		if seen[k.Short] || utf8.RuneCountInString(k.Short) > nameMost || n.Brief(k.Full) != k.Short {
			t.Errorf("%q for %q, in a sentence %q", k.Short, k.Full, n.Brief(k.Full))
		}
		seen[k.Short] = true
	}
	if got, want := n.Brief(verdict.Capital(long)+"78 is late, main is not."), "Stalls unde…2, seat 78 is late, main is not."; got != want {
		t.Errorf("in a sentence: %q, want %q", got, want)
	}
	// Cut alike, or as another one is called: numbered.
	n = shorten([]string{strings.Repeat("a", 80), strings.Repeat("a", 79), strings.Repeat("a", 11) + "…" + strings.Repeat("a", 10)})
	if len(n.Keys) != 2 || n.Keys[0].Short == n.Keys[1].Short || n.Brief(strings.Repeat("a", 80)) == strings.Repeat("a", 11)+"…"+strings.Repeat("a", 10) {
		t.Errorf("keys: %+v", n.Keys)
	}
}

// The page asks nobody for anything.
func TestPageStandsAlone(t *testing.T) {
	page := write(t, hall("small"))
	if found := regexp.MustCompile(`(?i)<script src|<link|<img|<iframe|\bsrc=|https?://|url\(|@import|\son[a-z]+=`).FindString(page); found != "" {
		t.Errorf("the page contains %q", found)
	}
	for _, want := range []string{"▼ worst", "To dial in", "Cautions", "Protect your hearing", "21.5 to 22.5 °C", "4 May 2026, 17:05 to 17:20", "plumbline v1.2.3", "−3.0 ±0.1", "holds at small one"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n := strings.Count(page, "data-plot="); n != 6 {
		t.Errorf("%d places for drawings, want the sum over delay, response and ledger of two seats, and their map", n)
	}
}

// The attachment is the data, to the last digit.
func TestNumbersAreAttached(t *testing.T) {
	d := hall("small")
	m := regexp.MustCompile(`(?s)<script type="application/json" id="numbers">(.*?)</script>`).FindStringSubmatch(write(t, d))
	if m == nil {
		t.Fatal("nothing is attached")
	}
	raw := []byte(m[1])
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

// The joined script has every module that report.js needs, each once and behind those it
// needs, and the page allows it alone, by its hash.
func TestJoin(t *testing.T) {
	script, err := Join(os.DirFS(filepath.Join("..", "..", "ui")))
	if err != nil {
		t.Fatal(err)
	}
	made := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^(?:modules\['([^']+)'\] = |const \{[^}]*\} = modules\['([^']+)'\];)`).FindAllStringSubmatch(string(script.Text), -1) {
		if m[1] != "" && made[m[1]] {
			t.Errorf("%s is there twice", m[1])
		}
		if m[2] == "" {
			made[m[1]] = true
		}
	}
	if !made["report.js"] || !made["draw/axes.js"] || !made["core/phasor.js"] || made["core/api.js"] {
		t.Errorf("joined: %v", made)
	}
	d := hall("small")
	d.Script = script
	page := write(t, d)
	sum := sha256.Sum256([]byte(regexp.MustCompile(`(?s)<script type="module">(.*?)</script>`).FindStringSubmatch(page)[1]))
	if want := "script-src &#39;sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "&#39;"; !strings.Contains(strings.ReplaceAll(page, "&#43;", "+"), want) {
		t.Errorf("the page does not allow its script: want %s", want)
	}
}

// What cannot be joined is refused with its name.
func TestWhatCannotBeJoined(t *testing.T) {
	for name, ui := range map[string]fstest.MapFS{
		"gone.js":      {"report.js": {Data: []byte("import { a } from './gone.js';\n")}},
		"itself":       {"report.js": {Data: []byte("import { a } from './b.js';\n")}, "b.js": {Data: []byte("import { c } from './report.js';\n")}},
		"import './b'": {"report.js": {Data: []byte("import './b';\n")}},
		"export {":     {"report.js": {Data: []byte("const a = 1;\nexport { a };\n")}},
	} {
		if _, err := Join(ui); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A show in which nothing was measured has a report too.
func TestEmptyShow(t *testing.T) {
	page := write(t, Data{Show: wire.Show{File: "new.plumbline"}, Made: time.Date(2026, 5, 4, 18, 30, 0, 0, time.UTC)})
	if !strings.Contains(page, "Nothing has been measured yet.") || !strings.Contains(page, "Cautions") || strings.Contains(page, "data-plot") {
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
