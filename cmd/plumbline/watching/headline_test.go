package watching

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"plumbline/analyze/watch"
	"plumbline/stream/verdict"
)

var update = flag.Bool("update", false, "rewrite the golden file")

// Every event in words: a headline of at most 70 characters, and its sentence. With -update
// they are written anew, to be looked at.
func TestEveryEventInWords(t *testing.T) {
	at := time.Date(2026, 8, 12, 20, 41, 7, 0, time.Local)
	const long = "left line array over the orchestra pit, upper part of six cabinets"
	kinds := []watch.Change{
		{Kind: watch.Restored}, {Kind: watch.Flipped}, {Kind: watch.Lost},
		{Kind: watch.LevelChanged, ChangeDB: -3.2}, {Kind: watch.LevelChanged, ChangeDB: 2.1},
		{Kind: watch.BandLost, LowHz: 4000, HighHz: 16000}, {Kind: watch.BandLost, LowHz: 200, HighHz: 2500},
		{Kind: watch.BandChanged, LowHz: 630, HighHz: 2500, ChangeDB: -4}, {Kind: watch.BandChanged, LowHz: 40, HighHz: 200, ChangeDB: 6},
		{Kind: watch.Moved, ShiftMs: 0.81}, {Kind: watch.Moved, ShiftMs: -12},
		{Kind: watch.Nudged, ShiftMs: 0.21}, {Kind: watch.Shaded}, {Kind: watch.NoiseRose, ChangeDB: 9},
		{Kind: watch.InputLost}, {Kind: watch.InputBack},
	}
	var b strings.Builder
	for _, c := range kinds {
		for _, what := range []string{"", "right main", long} {
			c.What = what
			for _, confidence := range []float64{0.99, 0.3} {
				e := watch.Event{Change: c, Confidence: confidence}
				short := headline(e)
				if n := utf8.RuneCountInString(short); n == 0 || n > verdict.HeadlineMax {
					t.Errorf("%v: %q has %d characters, want 1 to %d", c, short, n, verdict.HeadlineMax)
				}
				if strings.Contains(short, "%") {
					t.Errorf("%v: %q", c, short)
				}
				fmt.Fprintf(&b, "%s, %q, %g\n  %s\n    %s\n", c.Kind, what, confidence, short, told(e, at, what == ""))
			}
		}
	}
	const golden = "testdata/sentences.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the sentences have changed: look at them, and run with -update\n%s", b.String())
	}
}
