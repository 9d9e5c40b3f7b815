package offline

import (
	"context"
	"fmt"
	"runtime"
	"slices"

	"plumbline/analyze/arrival"
	"plumbline/analyze/crosstalk"
)

// ArrivalsConfig says what Arrivals looks for.
type ArrivalsConfig struct {
	MaxDelayS float64 // 0 is 1.5
	Max       int     // 0 is 5
	ExcerptsS float64 // listen to so many seconds, spread over the recording; 0 is all of it
	Workers   int     // 0 is one a core
	Progress  func(doneS, ofS float64)
}

// Found are the arrivals at one microphone, earliest first, or the reason why
// none can be told.
type Found struct {
	Arrivals []arrival.Arrival
	Reason   string
	// PeriodS is after how long the reference repeats itself exactly; 0: not
	// within the range. The delays are then within one period.
	PeriodS float64
	// Several: there is no arrival, since the reference is so like itself that several
	// delays fit.
	Several bool
}

// Main is the strongest arrival, the one to delay the reference to.
func (f Found) Main() (a arrival.Arrival, ok bool) {
	for i, b := range f.Arrivals {
		if i == 0 || b.LevelDB > a.LevelDB {
			a, ok = b, true
		}
	}
	return a, ok
}

// Arrivals looks for the arrivals of the reference in every microphone, over
// the whole recording.
func Arrivals(ctx context.Context, rec Recording, cfg ArrivalsConfig) ([]Found, error) {
	finders := make([]*arrival.Finder, len(rec.Microphones))
	for i := range finders {
		f, err := arrival.NewFinder(arrival.Config{
			SampleRateHz: rec.RateHz(),
			MaxDelayS:    cfg.MaxDelayS,
			Max:          cfg.Max,
		})
		if err != nil {
			return nil, fmt.Errorf("look for arrivals: %w", err)
		}
		finders[i] = f
	}
	workers := cfg.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	excerpts := []arrival.Excerpt{{From: 0, To: rec.To - rec.From}}
	if cfg.ExcerptsS > 0 {
		excerpts = arrival.Excerpts(rec.To-rec.From, rec.RateHz(), cfg.ExcerptsS)
	}
	var doneFrames, ofFrames int64
	for _, e := range excerpts {
		ofFrames += e.To - e.From
	}
	b := rec.newBlock()
	for _, e := range excerpts {
		for _, f := range finders {
			f.Break()
		}
		err := rec.each(ctx, b, e.From, e.To, func(ref []float64, mics [][]float64) {
			share(len(finders), workers, func(i int) {
				x, y := ref, mics[i]
				if leak := rec.leak(i); leak.Into != crosstalk.None {
					x, y = slices.Clone(x), slices.Clone(y)
					leak.Take(x, y)
				}
				finders[i].Feed(x, y)
			})
			if doneFrames += int64(len(ref)); cfg.Progress != nil {
				cfg.Progress(float64(doneFrames)/rec.RateHz(), float64(ofFrames)/rec.RateHz())
			}
		})
		if err != nil {
			return nil, err
		}
	}
	found := make([]Found, len(finders))
	share(len(finders), workers, func(i int) {
		found[i].Arrivals, found[i].Reason = finders[i].Find(nil)
		found[i].PeriodS, found[i].Several = finders[i].PeriodS(), finders[i].Several()
	})
	return found, nil
}

// Each calls do(0) … do(n−1) on all cores and returns when all are done. A panic
// of do is one of Each: whoever asked for the work can catch it.
func Each(n int, do func(i int)) { share(n, runtime.GOMAXPROCS(0), do) }
