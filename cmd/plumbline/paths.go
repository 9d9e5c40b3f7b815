package main

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"plumbline/analyze"
	"plumbline/analyze/apart"
	"plumbline/analyze/caution"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
	"plumbline/analyze/stationarity"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

// heardBy is what speaks against one microphone with several references: against itself,
// and against the path from each reference.
type heardBy struct {
	cautions []caution.Caution
	paths    []examined
}

// examineSeveral is examine for several references: what is returned to measure is the
// part in which all that play are alive.
func examineSeveral(ctx context.Context, rec offline.Several, leastS float64) (good offline.Several, out []heardBy, err error) {
	good = rec
	out = make([]heardBy, len(rec.Microphones))
	for p := range rec.References {
		part, list, err := examine(ctx, rec.Of(p), leastS)
		if err != nil {
			return rec, nil, err
		}
		good.From, good.To = max(good.From, part.From), min(good.To, part.To)
		for m := range list {
			for _, c := range list[m].cautions {
				if !slices.Contains(out[m].cautions, c) {
					out[m].cautions = append(out[m].cautions, c)
				}
			}
			caution.Sort(out[m].cautions)
			list[m].cautions = nil // from here on those of the path alone
			out[m].paths = append(out[m].paths, list[m])
		}
	}
	if float64(good.To-good.From) < leastS*rec.RateHz() {
		good.From, good.To = rec.From, rec.To
	}
	return good, out, nil
}

// inputs are the references as cautions name them.
func inputs(rec offline.Several) (list []caution.Input) {
	for _, r := range rec.References {
		list = append(list, caution.At(r+1))
	}
	return list
}

// path adds what the arrivals tell against the path from reference p to microphone m.
func (h *heardBy) path(rec offline.Several, m, p int, found *offline.PathFound) {
	e := &h.paths[p]
	reference, microphone := caution.At(rec.References[p]+1), caution.At(rec.Microphones[m]+1)
	switch {
	case e.dead: // that is said, and explains that there is no delay
		found.Found = offline.Found{Reason: tooDead}
	case len(found.Arrivals) > 0:
	case found.Reason == offline.WhyAlike:
		e.cautions = append(e.cautions, caution.AsOne(p, inputs(rec), 1, []caution.AlikeBand{{ToBottom: true, ToTop: true}}))
	default:
		e.cautions = append(e.cautions, caution.NotHeard(reference, microphone, found.Reason))
	}
	if found.PeriodS > 0 {
		e.cautions = append(e.cautions, caution.Repeats(reference, 1000*found.PeriodS, len(found.Arrivals) > 0))
	}
	if v := &found.Movement; v.Kind > stationarity.Still || v.Gain > stationarity.Still {
		path, gain := caution.Moved(v, reference, microphone, float64(rec.From)/rec.RateHz())
		for i := range path {
			path[i].After = " It was not followed, as it is with one reference."
		}
		e.cautions = append(append(e.cautions, path...), gain...)
	}
	caution.Sort(e.cautions)
}

// alike adds where the reference of a path cannot be told from the others, which is
// said once for all that is as alike.
func (e *examined) alike(p int, rec offline.Several, bands []apart.Alike) {
	if len(bands) == 0 || caution.Has(e.cautions, caution.Alike) {
		return
	}
	least, list := 1.0, []caution.AlikeBand{}
	for _, b := range bands {
		least = min(least, b.Part)
		list = append(list, caution.AlikeBand{LowHz: b.LowHz, HighHz: b.HighHz, ToBottom: b.ToBottom, ToTop: b.ToTop})
	}
	e.cautions = append(e.cautions, caution.AsOne(p, inputs(rec), least, list))
	caution.Sort(e.cautions)
}

// runPaths is run with several references.
func (f *responseFlags) runPaths(cmd *cobra.Command, path string) error {
	if f.sure != nil {
		return usagef("--until works with one reference: leave it out with --ref %s", f.references.String())
	}
	rec, err := f.openSeveral(cmd, path)
	if err != nil {
		return err
	}
	defer rec.File.Close()
	if n := int64(f.windowSamples); n > rec.To-rec.From {
		return fmt.Errorf("%s: %.3g s are shorter than one window of %d samples: choose a smaller --window", path, rec.DurationS(), n)
	}
	good, against, err := examineSeveral(cmd.Context(), rec, max(leastGoodS, float64(f.windowSamples)/rec.RateHz()))
	if err != nil {
		return err
	}
	found, err := f.pathDelays(cmd, good, against)
	if err != nil {
		return err
	}
	cfg := offline.PathsConfig{Window: f.windowSamples, Overlap: f.overlap}
	for m := range found {
		cfg.DelayS = append(cfg.DelayS, f.compensated(found[m]))
		for _, at := range found[m] {
			cfg.PeriodS = max(cfg.PeriodS, at.PeriodS)
		}
	}
	line := newProgress(cmd.ErrOrStderr(), "averaging")
	defer line.end()
	cfg.Progress = line.at
	measured, err := offline.Measure(cmd.Context(), good, cfg)
	if err != nil {
		return err
	}
	judged := measured
	if f.windowSamples != 0 || f.overlap != offline.PolarityOverlap {
		cfg.Window, cfg.Overlap = 0, offline.PolarityOverlap
		if judged, err = offline.Measure(cmd.Context(), good, cfg); err != nil {
			return err
		}
	}
	line.end()
	report := f.pathsReport(path, good, against, found, measured, judged)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), f.temperature, measured)
}

// pathDelays finds the arrivals of all paths, unless the delay was set by hand.
func (f *responseFlags) pathDelays(cmd *cobra.Command, rec offline.Several, against []heardBy) ([][]offline.PathFound, error) {
	if !math.IsNaN(f.delayMs) {
		found := make([][]offline.PathFound, len(rec.Microphones))
		for m := range found {
			found[m] = make([]offline.PathFound, len(rec.References))
		}
		return found, nil
	}
	return findPaths(cmd, rec, against, offline.ArrivalsConfig{ExcerptsS: delayExcerptsS})
}

func findPaths(cmd *cobra.Command, rec offline.Several, against []heardBy, cfg offline.ArrivalsConfig) ([][]offline.PathFound, error) {
	line := newProgress(cmd.ErrOrStderr(), "looking for arrivals")
	defer line.end()
	cfg.Progress = line.at
	found, err := offline.PathArrivals(cmd.Context(), rec, cfg)
	if err != nil {
		return nil, err
	}
	for m := range found {
		for p := range found[m] {
			against[m].path(rec, m, p, &found[m][p])
		}
	}
	return found, nil
}

// compensated is by how much each reference is delayed for one microphone, s. One whose
// arrival is not known is taken to come with the others.
func (f *responseFlags) compensated(found []offline.PathFound) []float64 {
	delayS := make([]float64, len(found))
	sum, n := 0.0, 0.0
	for p, at := range found {
		if delayS[p] = f.delayMs / 1000; !math.IsNaN(f.delayMs) {
			continue
		}
		if a, ok := at.Main(); ok {
			delayS[p] = a.DelayMs / 1000
			sum, n = sum+delayS[p], n+1
		}
	}
	for p := range delayS {
		if math.IsNaN(delayS[p]) {
			delayS[p] = sum / max(n, 1)
		}
	}
	return delayS
}

// pathsReport reports what was measured; judged is what polarity is told of.
func (f *responseFlags) pathsReport(path string, rec offline.Several, against []heardBy, found [][]offline.PathFound, measured, judged []offline.Paths) *pathsReport {
	r := &pathsReport{
		File: path, RateHz: rec.File.Format().SampleRateHz, DurationS: wire.Value(rec.DurationS()),
		Window: windowName(f.windowSamples), Overlap: wire.Value(f.overlap), Microphone: make([]pathsMicrophone, len(measured)),
	}
	for _, c := range rec.References {
		r.References = append(r.References, c+1)
	}
	for m := range measured {
		mic := pathsMicrophone{Channel: rec.Microphones[m] + 1, Multiple: measured[m].Multiple}
		said := against[m].cautions
		for p := range rec.References {
			e := &against[m].paths[p]
			e.alike(p, rec, measured[m].Alike[p])
			for _, c := range e.cautions {
				// Of two references either says the same of both.
				if !slices.Contains(said, c) && !(c.Code == caution.Alike && len(rec.References) == 2 && caution.Has(said, c.Code)) {
					said = append(said, c)
				}
			}
			mic.Paths = append(mic.Paths, f.onePath(rec, m, p, e, &found[m][p], &measured[m], &judged[m]))
		}
		caution.Sort(said)
		mic.Cautions = cautionObjects(said)
		mic.Headline = mic.headline(said)
		r.Microphone[m] = mic
	}
	return r
}

// onePath reports the path from reference p to microphone m.
func (f *responseFlags) onePath(rec offline.Several, m, p int, e *examined, found *offline.PathFound, measured, judged *offline.Paths) pathsPath {
	set := !math.IsNaN(f.delayMs)
	one := analyze.Microphone{
		Input: analyze.Input{Channel: rec.Microphones[m] + 1}, DelayMs: f.delayMs, DelaySDMs: math.NaN(), DelayFixed: set,
		PeriodMs: 1000 * found.PeriodS, Arrivals: found.Arrivals,
	}
	measured.Spectra[p].Curve(&one.Curve)
	if set {
		polarity.JudgeInto(&one.Polarity, &judged.Spectra[p])
	} else {
		one.Polarity = offline.Judge([]response.Spectra{judged.Spectra[p]}, []offline.Found{found.Found})[0]
		one.DelayReason = found.Reason
		if a, ok := found.Main(); ok {
			one.DelayMs, one.DelaySDMs = a.DelayMs, a.DelaySDMs
		}
	}
	if e.dead || math.IsNaN(one.DelayMs) {
		blank(&one.Curve)
	}
	path := pathsPath{Reference: rec.References[p] + 1, Alike: []alikeReport{}, responseCurve: newResponseCurve(&one, e.cautions, rec.References[p]+1, f.temperature)}
	for _, a := range measured.Alike[p] {
		path.Alike = append(path.Alike, alikeReport{wire.Value(a.LowHz), wire.Value(a.HighHz), wire.Value(a.Part)})
	}
	if path.Reason == "" && len(path.Alike) > 0 {
		i := slices.IndexFunc(e.cautions, func(c caution.Caution) bool { return c.Code == caution.Alike })
		path.Reason = reason(e.cautions[i].Text())
	}
	return path
}
