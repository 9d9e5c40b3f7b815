package offline

import (
	"context"
	"errors"
	"math"
	"runtime"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"plumbline/analyze/response"
)

// ResponseConfig says how Response measures.
type ResponseConfig struct {
	Window   int       // samples, a power of two; 0 is multi-resolution
	Overlap  float64   // 0…<1
	DelayS   []float64 // what the reference is delayed by, one a microphone
	Until    *Until    // nil: the whole recording
	Workers  int       // 0 is one a core
	Progress func(doneS, ofS float64)
}

// Until ends a measurement when every point from LowHz to HighHz has a 95 %
// interval of ±WithinDB or less, for all microphones.
type Until struct{ WithinDB, LowHz, HighHz float64 }

// Responses are the spectra of every microphone.
type Responses struct {
	Spectra    []response.Spectra
	UsedS      float64 // of the recording
	Sure       bool    // Until was reached
	SurePart   float64 // 0…1 of the points asked for that reached it, of the worst microphone
	RemainingS float64 // predicted; +Inf when no time will do
}

// errSure ends the workers early.
var errSure = errors.New("sure enough")

// Response averages the spectra over a recording, its stretches on all cores.
// The same recording gives the same result, whatever the number of cores:
// stretches are merged in their order.
func Response(ctx context.Context, rec Recording, cfg ResponseConfig) (*Responses, error) {
	total, err := newEstimator(rec, cfg)
	if err != nil {
		return nil, err
	}
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
	}
	free := make(chan *response.Estimator, 2*workers)
	for range cap(free) {
		est, err := newEstimator(rec, cfg)
		if err != nil {
			return nil, err
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
				if err := rec.each(gctx, b, spans[i].ReadFrom, spans[i].ReadTo, est.Feed); err != nil {
					return err
				}
				select {
				case parts <- part{i, est}:
				case <-gctx.Done():
					return gctx.Err()
				}
			}
		})
	}

	out := &Responses{Spectra: make([]response.Spectra, len(rec.Microphones))}
	group.Go(func() error {
		waiting := make(map[int64]*response.Estimator)
		for next := int64(0); next < int64(len(spans)); {
			select {
			case p := <-parts:
				waiting[p.index] = p.est
			case <-gctx.Done():
				return gctx.Err()
			}
			for est := waiting[next]; est != nil; est = waiting[next] {
				if err := total.Merge(est); err != nil {
					return err
				}
				delete(waiting, next)
				free <- est
				out.UsedS = float64(spans[next].To) / rec.RateHz()
				next++
				if cfg.Progress != nil {
					cfg.Progress(out.UsedS, rec.DurationS())
				}
				if cfg.Until != nil {
					if out.judge(total, *cfg.Until); out.Sure {
						return errSure
					}
				}
			}
		}
		return nil
	})
	if err := group.Wait(); err != nil && !errors.Is(err, errSure) {
		return nil, err
	}
	if !out.Sure {
		out.UsedS = rec.DurationS()
	}
	for i := range out.Spectra {
		total.Spectra(i, &out.Spectra[i])
	}
	return out, nil
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
