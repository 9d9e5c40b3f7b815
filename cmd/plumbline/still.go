package main

import (
	"context"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"plumbline/analyze/caution"
	"plumbline/analyze/response"
	"plumbline/analyze/stationarity"
	"plumbline/cmd/plumbline/offline"
)

// briefS of a recording whose path moves may still hold an arrival, where all of it
// does not.
const briefS = 5

// findAtRest looks for the arrivals and whether the paths stood still. Where one did
// not, the recording that it returns has only the part in which it did, or its path
// followed, and the arrivals are those of that; what was found is in against.
func findAtRest(ctx context.Context, rec offline.Recording, against []examined, find func(offline.Recording) ([]offline.Found, error)) (offline.Recording, []offline.Found, error) {
	found, err := find(rec)
	if err != nil {
		return rec, nil, err
	}
	delayS := make([]float64, len(found))
	lost := false
	for i, f := range found {
		delayS[i] = math.NaN()
		if a, ok := f.Main(); ok {
			delayS[i] = a.DelayMs / 1000
		}
		lost = lost || math.IsNaN(delayS[i]) && !against[i].dead
	}
	if lost && rec.DurationS() > 2*briefS {
		brief := rec
		brief.From = (rec.From+rec.To)/2 - int64(briefS*rec.RateHz()/2)
		brief.To = brief.From + int64(briefS*rec.RateHz())
		there, err := offline.Arrivals(ctx, brief, offline.ArrivalsConfig{Max: 1})
		if err != nil {
			return rec, nil, err
		}
		for i, f := range there {
			if a, ok := f.Main(); ok && math.IsNaN(delayS[i]) {
				delayS[i] = a.DelayMs / 1000
			}
		}
	}
	for i, s := range delayS {
		if math.IsNaN(s) { // stretches are long enough for most rooms
			delayS[i] = 0
		}
	}
	good, moved, err := atRest(ctx, rec, against, delayS, offline.Stillness)
	if err != nil || !moved {
		return good, found, err
	}
	found, err = find(good)
	return good, found, err
}

// stillness is offline.Stillness, or what it told.
type stillness func(ctx context.Context, rec offline.Recording, delayS []float64) ([]offline.Movement, error)

// atRest looks whether the paths stood still, given their delays; NaN where there is
// none. moved says that the recording returned is another.
func atRest(ctx context.Context, rec offline.Recording, against []examined, delayS []float64, still stillness) (good offline.Recording, moved bool, err error) {
	for i := range against {
		if against[i].dead {
			delayS[i] = math.NaN()
		}
	}
	movements, err := still(ctx, rec, delayS)
	if err != nil {
		return rec, false, err
	}
	good = rec
	for i := range movements {
		m := &movements[i]
		good.From, good.To = max(good.From, m.From), min(good.To, m.To)
		if m.Path != nil {
			if good.Paths == nil {
				good.Paths = make([]*stationarity.Path, len(movements))
			}
			good.Paths[i], moved = m.Path, true
		}
		moved = moved || m.Cut(rec)
	}
	enough := float64(good.To-good.From) >= leastGoodS*rec.RateHz()
	if !enough {
		good.From, good.To = rec.From, rec.To
	}
	offset := float64(rec.From) / rec.RateHz()
	for i := range movements {
		m, e := &movements[i], &against[i]
		e.knownToHz = m.KnownToHz
		if !m.Moved() {
			continue
		}
		used := ""
		if m.Cut(rec) && enough {
			used = fmt.Sprintf(" Used is %.1f s to %.1f s.", float64(good.From)/rec.RateHz(), float64(good.To)/rec.RateHz())
		} else if m.Cut(rec) {
			used, e.dead, e.cut, e.why = " Too little is left to measure.", true, true, tooRestless
		}
		e.cautions = append(e.cautions, moving(m, caution.At(rec.Reference+1), caution.At(rec.Microphones[i]+1), offset, used)...)
		caution.Sort(e.cautions)
	}
	return good, moved, nil
}

// tooRestless is why nothing is told of a path that stood still for too short.
const tooRestless = "the path did not stand still for long enough"

// moving puts what a path did, and what was done about it, into words.
func moving(m *offline.Movement, reference, microphone caution.Input, offsetS float64, used string) []caution.Caution {
	path, gain := caution.Moved(&m.Verdict, reference, microphone, offsetS)
	for i := range path {
		switch {
		case m.Path == nil && m.Kind == stationarity.Wanders || !(m.KnownToHz > 20):
			path[i].After = " It could not be followed."
		case !math.IsInf(m.KnownToHz, 1):
			path[i].After = fmt.Sprintf(" It was followed as far as it can be: above %.0f Hz nothing is known.", m.KnownToHz)
		case m.Path != nil && m.Kind == stationarity.Steps:
			used += " The delay is that of before anything was lost."
		case m.Path != nil:
			path[i].After = " It was followed."
		}
		path[i].After += used
		used = ""
	}
	for i := range gain {
		gain[i].After += used
	}
	return append(path, gain...)
}

// unknown blanks what lies above what is known of a path that was followed.
func (e *examined) unknown(s *response.Spectra) {
	for k, hz := range s.FrequencyHz {
		if hz > e.knownToHz {
			s.Gxx[k], s.Gyy[k], s.Gxy[k], s.EffectiveAverages[k] = 0, 0, 0, 0
		}
	}
}

// arrivalsOf is what findAtRest looks with.
func arrivalsOf(cmd *cobra.Command, cfg offline.ArrivalsConfig) func(offline.Recording) ([]offline.Found, error) {
	return func(rec offline.Recording) ([]offline.Found, error) {
		return findArrivals(cmd.Context(), cmd, rec, cfg)
	}
}
