package main

import (
	"cmp"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/stream/report"
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
	// everywhere (phasor sum, elementary). The scale goes from 0 to −42 dB over 94 units.
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
		if db := -(p[1] - 8) * 42 / 94; math.Abs(db-want) > 0.005*42/94*2 {
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
