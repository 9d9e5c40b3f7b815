package main

import (
	"context"

	"plumbline/cmd/plumbline/offline"
)

// early averages a recording while it is still looked at what leaks, and whether its
// paths stood still, which most did: one core does the one, the others the other.
type early struct {
	rec    offline.Recording
	cancel context.CancelFunc
	done   chan struct{}
	result *offline.Responses
	err    error
}

func startEarly(ctx context.Context, rec offline.Recording, cfg offline.ResponseConfig) *early {
	ctx, cancel := context.WithCancel(ctx)
	e := &early{rec: rec, cancel: cancel, done: make(chan struct{})}
	go func() {
		defer close(e.done)
		e.result, e.err = offline.Response(ctx, e.rec, cfg)
	}()
	return e
}

// serves says whether it is rec that is averaged. The channels are the same anyhow.
func (e *early) serves(rec offline.Recording) bool {
	return e != nil && rec.From == e.rec.From && rec.To == e.rec.To && rec.Paths == nil
}

// wait returns the result.
func (e *early) wait() (*offline.Responses, error) {
	<-e.done
	return e.result, e.err
}

// stop ends the work, if there is any, whose result nobody waits for.
func (e *early) stop() {
	if e != nil {
		e.cancel()
		<-e.done
	}
}
