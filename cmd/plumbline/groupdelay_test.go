package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/ui"
)

// pageRuns hands in to a script that may import the pages' modules, and decodes what it
// writes: no browser, so that thousands of curves cost little.
func pageRuns(t *testing.T, script string, in, out any) {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		if strings.Contains(os.Getenv("PLUMBLINE_REQUIRE"), "browser") {
			t.Fatal("node is not installed: make test installs it")
		}
		t.Skip("node is not installed")
	}
	folder := t.TempDir()
	modules, err := fs.Sub(ui.Files(), "core")
	if err == nil {
		err = os.CopyFS(filepath.Join(folder, "core"), modules)
	}
	for name, text := range map[string]string{"package.json": `{"type":"module"}`, "script.js": script} {
		if err == nil {
			err = os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	sent, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), node, filepath.Join(folder, "script.js"))
	cmd.Stdin, cmd.Stderr = bytes.NewReader(sent), os.Stderr
	got, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(got, out); err != nil {
		t.Fatal(err)
	}
}

// shownCurve is what a page knows of a response, and the phase that it has without noise.
type shownCurve struct {
	Hz        []float64      `json:"hz"`
	Deg       []*float64     `json:"deg"`
	Clean     []*float64     `json:"clean"`
	Error     []*float64     `json:"error"`
	Coherence []*float64     `json:"coherence"`
	Threshold []*float64     `json:"threshold"`
	Of        map[string]any `json:"of"`
}

// delayTrial is one way to measure. Of a path that is a delay, the truth is that delay; of one with
// a reflection, or where smoothing itself bends the phase (by 0.2 % over a third of an octave: evenly in log
// frequency is not evenly in frequency), the line through the phases that are measured without noise.
type delayTrial struct {
	window, smoothing int
	seconds           float64
	reflection        bool
}

func (d delayTrial) String() string {
	s := fmt.Sprintf("window %d, 1/%d octave, %g s", d.window, d.smoothing, d.seconds)
	if d.reflection {
		s += ", a reflection"
	}
	return s
}

const delayRateHz, delayLate, delayOff = 8000.0, 9, 2.4 // the delay taken out of the phase is 2.4 samples too long: more than a turn

// curves are runs responses of that path with noise.
func (d delayTrial) curves(t *testing.T, coherences []float64, runs int) []shownCurve {
	t.Helper()
	e, err := response.NewEstimator(response.Config{SampleRateHz: delayRateHz, Window: d.window, Averaging: response.Averaging{Mode: response.Infinite}})
	if err == nil {
		err = e.SetDelay(0, (delayLate+delayOff)/delayRateHz)
	}
	if err != nil {
		t.Fatal(err)
	}
	n := int(d.seconds * delayRateHz)
	r := rand.New(rand.NewPCG(uint64(d.window+d.smoothing), uint64(n)))
	ref, mic := make([]float64, n), make([]float64, n)
	hear := func(noise float64) (c response.Curve) {
		for i := range ref {
			ref[i] = r.NormFloat64()
			mic[i] = noise * r.NormFloat64()
			if i >= delayLate {
				mic[i] += ref[i-delayLate]
			}
			if late := delayLate + 11; d.reflection && i >= late {
				mic[i] += 0.5 * ref[i-late]
			}
		}
		e.Break()
		e.Reset()
		e.Feed(ref, [][]float64{mic})
		var s, smooth response.Spectra
		e.Spectra(0, &s)
		response.Smooth(&smooth, &s, d.smoothing)
		smooth.Curve(&c)
		return c
	}
	clean := hear(0).PhaseDeg
	var window any = d.window
	if d.window == 0 {
		window = "multi"
	}
	var all []shownCurve
	for k := range runs {
		g := coherences[k%len(coherences)]
		c := hear(math.Sqrt((1 - g) / g))
		from := 0
		if c.FrequencyHz[0] == 0 {
			from = 1
		}
		known := func(v []float64) []*float64 {
			out := make([]*float64, len(v))
			for i := range v {
				if !math.IsNaN(v[i]) && c.EffectiveAverages[i] > 0 {
					out[i] = &v[i]
				}
			}
			return out[from:]
		}
		all = append(all, shownCurve{c.FrequencyHz[from:], known(c.PhaseDeg), known(clean), known(c.PhaseErrorDeg), known(c.Coherence), known(c.Threshold),
			map[string]any{"smoothing": d.smoothing, "window": window, "rateHz": delayRateHz}})
	}
	return all
}

// The page's own group delay, and its phase without turns, hold the truth in 93–97 % of the points that are trusted: whatever
// ties the errors of neighbouring frequencies together, windows, the grid's own averages or smoothing.
// Where the phases are no straight line the interval is wider, never narrower.
func TestGroupDelayHoldsTheTruth(t *testing.T) {
	trials := []delayTrial{{0, 48, 6, false}, {0, 3, 6, false}, {1024, 12, 2, false}, {0, 48, 6, true}}
	coherences, runs, edges := []float64{0.5, 0.8, 0.95, 0.99}, 24, []float64{0, 4000}
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		trials = nil
		for _, window := range []int{0, 1024} {
			for _, smoothing := range []int{48, 12, 6, 3} {
				for _, seconds := range []float64{4, 12} {
					for _, reflection := range []bool{false, true} {
						d := delayTrial{window, smoothing, seconds, reflection}
						if window != 0 {
							d.seconds /= 4
						}
						trials = append(trials, d)
					}
				}
			}
		}
		coherences, runs, edges = append(coherences, 0.2), 300, []float64{0, 150, 900, 4000}
	}
	least, most := 100.0, 0.0
	for _, d := range trials {
		all := d.curves(t, coherences, runs)
		var got []struct{ Mid, Low, High, Truth, Turnless, Clean []*float64 }
		pageRuns(t, `
			import { readFileSync } from 'node:fs';
			import { groupDelay, unwrapped } from './core/phaseforms.js';
			console.log(JSON.stringify(JSON.parse(readFileSync(0, 'utf8')).map((c) => {
				const counts = (i) => (c.coherence[i] ?? -1) >= (c.threshold[i] ?? Infinity);
				const of = (deg) => groupDelay(c.hz, deg, c.error, counts, c.threshold, c.of);
				const [turnless, clean] = [unwrapped(c.deg, counts), unwrapped(c.clean, () => true)];
				return { ...of(turnless), truth: of(clean).mid, turnless, clean };
			})));`, all, &got)
		held, of := make([]float64, len(edges)-1), make([]float64, len(edges)-1)
		phases, inside := 0.0, 0.0
		for k, c := range all {
			// The page counts turns from wherever it trusts most.
			var turns []float64
			for i := range c.Hz {
				if a, b := got[k].Turnless[i], got[k].Clean[i]; a != nil && b != nil {
					turns = append(turns, math.Round((*b-*a)/360))
				}
			}
			slices.Sort(turns)
			for i, f := range c.Hz {
				if got[k].Turnless[i] != nil && *c.Coherence[i] >= *c.Threshold[i] {
					phases++
					if math.Abs(*got[k].Turnless[i]+360*turns[len(turns)/2]-*got[k].Clean[i]) <= *c.Error[i] {
						inside++
					}
				}
				if got[k].Mid[i] == nil || *c.Coherence[i] < *c.Threshold[i] {
					continue
				}
				truth := -delayOff / delayRateHz * 1000
				if d.reflection || d.smoothing < 6 {
					truth = *got[k].Truth[i]
				}
				b := 0
				for f >= edges[b+1] {
					b++
				}
				of[b]++
				if *got[k].Low[i] <= truth && truth <= *got[k].High[i] {
					held[b]++
				}
			}
		}
		share := 100 * inside / phases
		t.Logf("%v, unwrapped: %.1f %% of %.0f", d, share, phases)
		if share < 93 || share > 97 {
			t.Errorf("%v: the interval of the unwrapped phase holds the truth at %.1f %% of %.0f points", d, share, phases)
		}
		for b := range of {
			if of[b] < 2000 {
				continue
			}
			share := 100 * held[b] / of[b]
			t.Logf("%v, %v…%v Hz: %.1f %% of %.0f", d, edges[b], edges[b+1], share, of[b])
			least = min(least, share)
			if !d.reflection {
				most = max(most, share)
			}
			if share < 93 || share > 97 && !d.reflection {
				t.Errorf("%v, %v…%v Hz: the interval holds the truth at %.1f %% of %.0f points", d, edges[b], edges[b+1], share, of[b])
			}
		}
	}
	t.Attr("truth", fmt.Sprintf("the page's interval of group delay covers the truth: 93–97 %% | %.1f–%.1f %% | weighted least squares with tied errors; Monte Carlo", least, most))
}
