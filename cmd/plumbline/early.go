package main

import (
	"context"

	"golang.org/x/sync/errgroup"

	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/cmd/plumbline/offline"
)

// early has a recording averaged while it is still looked at what is wrong with it,
// which with most is nothing that changes what is measured: it is read once, and all
// cores have something to do. A nil early does the same work when it is asked for.
type early struct {
	rec    offline.Recording
	cancel context.CancelFunc
	group  *errgroup.Group

	take      *caution.Take
	result    *offline.Responses
	leaks     []crosstalk.Leak
	movements []offline.Movement
}

// startEarly starts all of it; cfg needs no more than is known beforehand.
func startEarly(ctx context.Context, rec offline.Recording, cfg offline.ResponseConfig) *early {
	ctx, cancel := context.WithCancel(ctx)
	e := &early{rec: rec, cancel: cancel, take: caution.NewTake(rec.RateHz(), len(rec.Microphones))}
	e.group, ctx = errgroup.WithContext(ctx)
	cfg.Watch = e.take
	e.group.Go(func() (err error) {
		e.result, err = offline.Response(ctx, rec, cfg)
		return err
	})
	e.group.Go(func() (err error) {
		if e.leaks, err = offline.Crosstalk(ctx, rec); err == nil {
			e.movements, err = offline.Stillness(ctx, rec, cfg.DelayS)
		}
		return err
	})
	return e
}

// inspect waits for what offline.Inspect tells of rec.
func (e *early) inspect(ctx context.Context, rec offline.Recording) (*caution.Take, error) {
	if e == nil {
		return offline.Inspect(ctx, rec)
	}
	return e.take, e.group.Wait()
}

// of is e if what was found leaves all of it to measure, else nil.
func (e *early) of(rec offline.Recording, against []examined) *early {
	if e == nil || rec.From != e.rec.From || rec.To != e.rec.To {
		return nil
	}
	for i := range against {
		if against[i].dead {
			return nil
		}
	}
	return e
}

// crosstalk is offline.Crosstalk.
func (e *early) crosstalk(ctx context.Context, rec offline.Recording) ([]crosstalk.Leak, error) {
	if e == nil {
		return offline.Crosstalk(ctx, rec)
	}
	return e.leaks, nil
}

// stillness is offline.Stillness.
func (e *early) stillness(ctx context.Context, rec offline.Recording, delayS []float64) ([]offline.Movement, error) {
	if e == nil {
		return offline.Stillness(ctx, rec, delayS)
	}
	return e.movements, nil
}

// response is offline.Response of what is at rest of the recording.
func (e *early) response(ctx context.Context, rec offline.Recording, cfg offline.ResponseConfig) (*offline.Responses, error) {
	if e == nil || rec.From != e.rec.From || rec.To != e.rec.To || rec.Paths != nil {
		return offline.Response(ctx, rec, cfg)
	}
	return e.result, nil
}

// stop ends the work if nobody has waited for it.
func (e *early) stop() {
	if e != nil {
		e.cancel()
		e.group.Wait()
	}
}
