package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"plumbline/stream/report"
	"plumbline/stream/show"
	"plumbline/stream/wire"
	"plumbline/ui"
)

// drawing is an SVG of a report as it was drawn.
type drawing struct {
	Title  string
	Curves []struct {
		Dash   string
		Points [][2]float64
	}
	Bars  [][2]float64 // from, to
	Words []string
	Wrong bool // a number that is none
}

// TestReportDraws opens a report of two seats, as a file that was kept, and looks at what
// the pages' modules draw into it.
func TestReportDraws(t *testing.T) {
	needBrowser(t)
	page, err := os.ReadFile(filepath.Join("..", "..", "stream", "report", "testdata", "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	script, err := report.Join(ui.Files())
	if err != nil {
		t.Fatal(err)
	}
	whole := strings.NewReplacer("script-src 'none'", "script-src "+script.Source, `<script type="module"></script>`, `<script type="module">`+string(script.Text)+"</script>").Replace(string(page))
	// At one seat nothing is trusted.
	blind := strings.Replace(whole, `"trusted": [`, `"trusted": [], "was": [`, 2)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		if r.URL.Path == "/blind" {
			w.Write([]byte(blind))
			return
		}
		w.Write([]byte(whole))
	}))
	defer server.Close()
	look := func(path string, s screen) []drawing {
		p := openTab(t, server.URL+path, s, "svg", "favicon")
		all := js[[]drawing](p, `[...document.querySelectorAll('svg')].map((svg) => ({
			Title: svg.getAttribute('aria-label'), Wrong: /NaN|Infinity|undefined/.test(svg.outerHTML),
			Words: [...svg.querySelectorAll('text')].map((e) => e.textContent),
			Bars: [...svg.querySelectorAll('rect')].map((e) => [Number(e.getAttribute('x')), Number(e.getAttribute('x')) + Number(e.getAttribute('width'))]),
			Curves: [...svg.querySelectorAll('g[clip-path] > path[fill="none"]')].map((e) => ({ Dash: e.getAttribute('stroke-dasharray') ?? '',
				Points: [...e.getAttribute('d').matchAll(/[ML](-?[\d.]+) (-?[\d.]+)/g)].map((m) => [Number(m[1]), Number(m[2])]) })),
		}))`)
		slices.SortStableFunc(all, func(a, b drawing) int { // the map stands first, and is none of the curves
			return cmp.Compare(strings.Count(a.Title, "The room"), strings.Count(b.Title, "The room"))
		})
		return all
	}
	all := look("/", laptop)
	if len(all) != 6 {
		t.Fatalf("%d drawings, want the sum over delay, response and ledger of two seats, and their map", len(all))
	}
	for _, d := range all {
		if d.Wrong || len(d.Words) < 6 && d.Title != "The room from above" {
			t.Errorf("%s: %+v", d.Title, d.Words)
		}
	}
	if n := len(all[0].Curves); n != 4 || !strings.Contains(strings.Join(all[0].Words, " "), "other polarity") {
		t.Errorf("the sum over delay has %d curves, want two seats, their mean and the other polarity; %q", n, all[0].Words)
	}

	// With the plan dialled in the two add up in phase: the sum of the amplitudes,
	// everywhere (phasor sum, elementary). The scale goes from 0 to −42 dB over 88 units.
	want := 20 * math.Log10(math.Pow(10, -10./20)+math.Pow(10, -12./20))
	if proven := all[1]; len(proven.Curves) != 5 || !strings.Contains(strings.Join(proven.Words, " "), "before") || !strings.Contains(strings.Join(proven.Words, " "), "promised") || !strings.Contains(strings.Join(proven.Words, " "), "measured") {
		t.Errorf("where the plan was proven: %d curves, %q", len(proven.Curves), proven.Words)
	}
	magnitude := all[3]
	if len(magnitude.Curves) != 4 {
		t.Fatalf("%s: %d curves", magnitude.Title, len(magnitude.Curves))
	}
	then := magnitude.Curves[3]
	for _, p := range then.Points {
		if db := -(p[1] - 8) * 42 / 88; math.Abs(db-want) > 0.005*42/88*2 {
			t.Errorf("with the plan %.3f dB at %.1f, want %.3f dB", db, p[0], want)
		}
	}
	if then.Dash != "7 4" || len(then.Points) != 12 {
		t.Errorf("with the plan: %+v", then)
	}

	// Bars of the ledger begin where the one before ends, and the last is the sum.
	bars := all[2].Bars
	changes := []float64{-1, -5, -3.5, 0.48}
	if len(bars) != len(changes)+2 {
		t.Fatalf("%d bars for %d causes", len(bars), len(changes))
	}
	scale := (bars[0][1] - bars[0][0]) / 6.02 // of a decibel
	at := bars[0][1]
	for i, change := range changes {
		from, to := at, at+change*scale
		if b := bars[i+1]; math.Abs(b[0]-min(from, to)) > 0.03 || math.Abs(b[1]-max(from, to)) > 0.03 {
			t.Errorf("cause %d lies at %v, want %v to %v", i, b, from, to)
		}
		at = to
	}
	if last := bars[len(bars)-1]; math.Abs(last[0]-at) > 0.03 || math.Abs(last[1]-bars[0][0]) > 0.03 {
		t.Errorf("the sum lies at %v, want %v to 0", last, at)
	}

	if d := look("/blind", laptop)[1]; d.Wrong || len(d.Curves) != 1 {
		t.Errorf("where only the sum is trusted: %d curves; %v", len(d.Curves), d.Words)
	}
}

// sheets are how many pages of A4 a report prints on.
func (p page) sheets() int {
	p.t.Helper()
	pdf, err := chromedp.Call(p.ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PreferCSSPageSize: new(true)})
	if err != nil {
		p.t.Fatal(err)
	}
	return bytes.Count(pdf.Data, []byte("/Type /Page\n"))
}

// longest is a name as long as a show takes one, which begins and ends as it says.
func longest(begin, end string) string {
	const letters = 80
	fill := strings.Repeat(" under the wide balcony", 4)
	return begin + strings.TrimRight(fill[:letters-len(begin)-1-len(end)], " ") + " " + end
}

// TestReportOfLongestNamesIsTwoSheets prints the report of a stored show with three seats, twelve takes, a
// plan that is proven, and names as long as can be: two sheets, each name in full once and its short form in
// its places; what has no room, and traces of Listen, on sheets of their own.
func TestReportOfLongestNamesIsTwoSheets(t *testing.T) {
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0", "--show", surveyedShow(t, []int{0, 1})) // all of both once more, as for a proof
	names := map[string]string{"main": longest("Main left", "upper"), "fill": longest("Fill", "row 1")}
	for k, old := range []string{"main", "fill"} {
		d.ask(t, "PATCH", fmt.Sprintf("/api/v1/show/loudspeakers/%d", k+1), fmt.Sprintf(`{"name":%q}`, names[old]), http.StatusOK, nil)
	}
	var seats []string
	for k := 1; k <= 3; k++ {
		seats = append(seats, longest("Stalls", fmt.Sprintf("seat %d", k)))
		d.ask(t, "PATCH", fmt.Sprintf("/api/v1/show/seats/%d", k), fmt.Sprintf(`{"name":%q,"note":%q}`, seats[k-1], "behind the pillar"), http.StatusOK, nil)
	}
	// The plan, dialled in and proven at every seat.
	var a wire.Align
	query := url.Values{"main": {names["main"]}, "fill": {names["fill"]}}
	d.get(t, "/api/v1/align?"+query.Encode(), http.StatusOK, &a)
	if a.Plan == nil || len(a.Seats) != 3 {
		t.Fatalf("no plan for %d seats: %v", len(a.Seats), a.Missing)
	}
	plan := wire.StoredPlan{Main: a.Main, Fill: a.Fill, BandHz: a.BandHz, Aim: a.Aim, Plan: a.Plan.PlanObject, Settings: a.Settings, Efficiency: a.Efficiency, Promise: a.Promise, SpreadM: &a.SpreadM, Seats: []wire.PlanSeat{}, Dialled: true}
	for k, name := range seats {
		plan.Verified = append(plan.Verified, wire.Verification{Seat: int64(k + 1), SeatName: name, Pass: true, Polarity: "same", DifferenceDB: 0.2,
			Text: fmt.Sprintf("%s passes: the sum of %s and %s measures 0.2 dB above what the plan predicts, within what the takes allow.", name, a.Main, a.Fill)})
	}
	body, err := json.Marshal(plan)
	if err != nil {
		t.Fatal(err)
	}
	d.ask(t, "POST", "/api/v1/show/plans", fmt.Sprintf(`{"name":%q,"body":%s}`, longest("Plan", "one"), body), http.StatusOK, nil)

	who := url.Values{"venue": {longest("Hall", "north")}, "operator": {longest("Engineer", "three")}, "remark": {strings.Repeat("Doors at seven, rain. ", 23)[:500]}}
	link := d.url + "/api/v1/show/report?" + who.Encode()
	p := openTab(t, link, laptop, "svg")
	if n := p.sheets(); n != 2 {
		t.Errorf("%d sheets for three seats with the longest names, want 2", n)
	}
	text := js[string](p, `document.body.innerText`)
	for _, name := range append(seats, a.Main, a.Fill) {
		if n := strings.Count(text, name); n != 1 {
			t.Errorf("%q is there %d times in full, want once, in the key", name, n)
		}
	}
	if n := strings.Count(text, "12 takes at 3 seats"); n != 1 {
		t.Error("not twelve takes at three seats")
	}
	// Nothing that is printed is smaller than can be read, and nothing is cut at the right.
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	small := js[[]string](p, `[...document.querySelectorAll('body *')].filter((e) => e.checkVisibility() && !e.closest('svg') && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
		.filter((e) => parseFloat(getComputedStyle(e).fontSize) < 7.9 * 96 / 72).map((e) => e.tagName + ' ' + getComputedStyle(e).fontSize)`)
	if len(small) > 0 {
		t.Errorf("smaller than 8 pt: %q", small)
	}

	// What is too long for the tables, and what Listen shows, are sheets behind the two.
	long := strings.TrimSpace(strings.Repeat("It rattles. ", 40))
	d.ask(t, "PATCH", "/api/v1/show/seats/1", fmt.Sprintf(`{"note":%q}`, long), http.StatusOK, nil)
	p = openTab(t, link, laptop, "svg")
	if n := p.sheets(); n != 3 || !strings.Contains(js[string](p, `document.body.innerText`), long) {
		t.Errorf("%d sheets with a long note, want 3 and the note in full", n)
	}
	d.ask(t, "PATCH", "/api/v1/show/seats/1", `{"note":""}`, http.StatusOK, nil)
	d.ask(t, "POST", "/api/v1/show/traces", `{"take":1,"name":"as it was"}`, http.StatusOK, nil)
	var hidden show.Trace
	d.ask(t, "POST", "/api/v1/show/traces", `{"take":2,"name":"not to be seen"}`, http.StatusOK, &hidden)
	d.ask(t, "PATCH", fmt.Sprintf("/api/v1/show/traces/%d", hidden.ID), `{"shown":false}`, http.StatusOK, nil)
	d.ask(t, "POST", "/api/v1/show/targets", `{"name":"house curve","points":[[50,4],[1000,0],[16000,-4]],"tolerance_db":3,"shown":true}`, http.StatusOK, nil)
	p = openTab(t, link, laptop, "svg")
	if n := p.sheets(); n != 3 {
		t.Errorf("%d sheets with stored traces, want 3", n)
	}
	drawn := js[[]string](p, `[...document.querySelectorAll('.extra svg')].map((s) => [...s.querySelectorAll('text')].map((e) => e.textContent).join(' '))`)
	if len(drawn) != 2 || !strings.Contains(drawn[0], "1 as it was") || !strings.Contains(drawn[0], "house curve") || !strings.Contains(drawn[1], "1 as it was") || strings.Contains(drawn[0], "not to be seen") {
		t.Errorf("drawn of Listen: %q", drawn)
	}
}
