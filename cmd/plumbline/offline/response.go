package offline

import (
	"context"
	"math"
	"runtime"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"plumbline/analyze/caution"
	"plumbline/analyze/response"
)

// ResponseConfig says how Response measures.
type ResponseConfig struct {
	Window   int       // samples, a power of two; 0 is multi-resolution
	Overlap  float64   // 0…<1
	DelayS   []float64 // what the reference is delayed by, one a microphone
	PeriodS  float64   // after how long the reference repeats itself exactly; 0: it does not
	Until    *Until    // nil: the whole recording
	Workers  int       // 0 is one a core
	Progress func(doneS, ofS float64)
	// Watch hears all samples as they are read, as Inspect would; nil: nobody does.
	// Not with Until, and only of a recording for which CanWatch.
	Watch *caution.Take
}

// Until ends a measurement when every point from LowHz to HighHz has a 95 %
// interval of ±WithinDB or less, for all microphones.
type Until struct{ WithinDB, LowHz, HighHz float64 }

// Responses are the spectra of every microphone.
type Responses struct {
	Spectra    []response.Spectra
	UsedS      float64 // of the recording
	Sure       bool    // Until was reached
	SurePart   float64 // 0…1 of the way to 95 % of the points asked for, of the worst microphone
	RemainingS float64 // predicted; +Inf when no time will do
}

// Response averages the spectra over a recording.
func Response(ctx context.Context, rec Recording, cfg ResponseConfig) (*Responses, error) {
	total, err := newEstimator(rec, cfg)
	if err != nil {
		return nil, err
	}
	out := &Responses{Spectra: make([]response.Spectra, len(rec.Microphones)), UsedS: rec.DurationS()}
	if cfg.Until != nil {
		err = out.untilSure(ctx, rec, cfg, total)
	} else {
		err = inSpans(ctx, rec, cfg, total)
	}
	if err != nil {
		return nil, err
	}
	for i := range out.Spectra {
		total.Spectra(i, &out.Spectra[i])
	}
	return out, nil
}

// inSpans fills total from stretches of the recording, analysed on all cores.
// The same recording gives the same result, whatever the number of cores:
// stretches are merged in their order.
func inSpans(ctx context.Context, rec Recording, cfg ResponseConfig, total *response.Estimator) error {
	spans := total.Spans(rec.To - rec.From)
	workers := cfg.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = max(1, min(workers, len(spans)))

	// A worker takes an estimator before it takes a span, so whoever has the
	// earliest span can always finish it, and the merging never starves.
	type part struct {
		index int64
		est   *response.Estimator
		watch *caution.Take
	}
	free := make(chan *response.Estimator, 2*workers)
	for range cap(free) {
		est, err := newEstimator(rec, cfg)
		if err != nil {
			return err
		}
		free <- est
	}
	parts := make(chan part)
	var taken atomic.Int64
	group, gctx := errgroup.WithContext(ctx)
	for range workers {
		group.Go(func() error {
			b := rec.newBlock()
			for {
				var est *response.Estimator
				select {
				case est = <-free:
				case <-gctx.Done():
					return gctx.Err()
				}
				i := taken.Add(1) - 1
				if i >= int64(len(spans)) {
					return nil
				}
				est.Begin(spans[i])
				feed, watch := est.Feed, (*caution.Take)(nil)
				if cfg.Watch != nil {
					watch = caution.NewTake(rec.RateHz(), len(rec.Microphones))
					feed = watched(spans[i], rec.To-rec.From, watch, est.Feed)
				}
				if err := rec.each(gctx, b, spans[i].ReadFrom, spans[i].ReadTo, feed); err != nil {
					return err
				}
				select {
				case parts <- part{i, est, watch}:
				case <-gctx.Done():
					return gctx.Err()
				}
			}
		})
	}

	group.Go(func() error {
		waiting := make(map[int64]part)
		for next := int64(0); next < int64(len(spans)); {
			select {
			case p := <-parts:
				waiting[p.index] = p
			case <-gctx.Done():
				return gctx.Err()
			}
			for p, ok := waiting[next]; ok; p, ok = waiting[next] {
				if err := total.Merge(p.est); err != nil {
					return err
				}
				if p.watch != nil {
					cfg.Watch.Join(p.watch)
				}
				delete(waiting, next)
				free <- p.est
				if cfg.Progress != nil {
					cfg.Progress(float64(spans[next].To)/rec.RateHz(), rec.DurationS())
				}
				next++
			}
		}
		return nil
	})
	return group.Wait()
}

// judgeEveryS is how much is heard between two looks at how sure it is.
const judgeEveryS = 0.5

// untilSure fills total in the order of the recording, no further than needed.
func (r *Responses) untilSure(ctx context.Context, rec Recording, cfg ResponseConfig, total *response.Estimator) error {
	b, frames := rec.newBlock(), rec.To-rec.From
	step := int64(judgeEveryS * rec.RateHz())
	for at := int64(0); at < frames && !r.Sure; at += step {
		end := min(at+step, frames)
		if err := rec.each(ctx, b, at, end, total.Feed); err != nil {
			return err
		}
		r.judge(total, *cfg.Until)
		r.UsedS = float64(end) / rec.RateHz()
		if cfg.Progress != nil {
			cfg.Progress(r.UsedS, rec.DurationS())
		}
	}
	return nil
}

func newEstimator(rec Recording, cfg ResponseConfig) (*response.Estimator, error) {
	overlap := cfg.Overlap
	if overlap == 0 {
		overlap = response.NoOverlap
	}
	est, err := response.NewEstimator(response.Config{
		SampleRateHz: rec.RateHz(),
		Microphones:  len(rec.Microphones),
		Window:       cfg.Window,
		Overlap:      overlap,
		Averaging:    response.Averaging{Mode: response.Infinite},
		EverySegment: cfg.Window != 0,
	})
	if err != nil {
		return nil, err
	}
	if err := est.SetPeriod(cfg.PeriodS); err != nil {
		return nil, err
	}
	for i, delay := range cfg.DelayS {
		if err := est.SetDelay(i, delay); err != nil {
			return nil, err
		}
	}
	return est, nil
}

// judge fills in how sure all microphones are by now.
func (r *Responses) judge(total *response.Estimator, u Until) {
	r.SurePart, r.RemainingS = 1, 0
	for i := range r.Spectra {
		total.Spectra(i, &r.Spectra[i])
		done, remaining := response.Progress(&r.Spectra[i], u.WithinDB, u.LowHz, u.HighHz)
		r.SurePart = min(r.SurePart, done)
		r.RemainingS = math.Max(r.RemainingS, remaining)
	}
	r.Sure = r.SurePart == 1
}
