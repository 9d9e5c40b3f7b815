package daemon

import (
	"context"

	"plumbline/cmd/plumbline/survey"
	"plumbline/stream/wire"
)

// bench lends the daemon's samples to surveys. It implements survey.Bench.
type bench struct{ d *Daemon }

// Setup implements survey.Bench.
func (b bench) Setup() survey.Setup {
	s := b.d.State()
	return survey.Setup{
		Source: s.Source.Name, SampleRateHz: s.Source.RateHz, Channels: s.Source.Channels,
		Reference: s.Settings.Reference, Microphones: s.Settings.Microphones, TemperatureC: s.Settings.TemperatureC,
	}
}

// listener is somebody who hears every block.
type listener struct {
	hear func(block []float32, broken bool)
}

// Listen implements survey.Bench.
func (b bench) Listen(ctx context.Context, hear func(block []float32, broken bool)) (stop func(), err error) {
	l := &listener{hear}
	if err := b.d.do(ctx, func() { b.d.pump.listeners[l] = true }); err != nil {
		return nil, err
	}
	return func() {
		// Without the pump nobody is called any more.
		_ = b.d.do(context.WithoutCancel(ctx), func() { delete(b.d.pump.listeners, l) })
	}, nil
}

// recentMostS bounds Recent, seconds.
const recentMostS = 20

// Recent implements survey.Bench.
func (b bench) Recent(ctx context.Context, seconds float64) (samples []float32, err error) {
	e := b.d.do(ctx, func() {
		p := &b.d.pump
		if seconds == 0 {
			seconds = p.averagedS
			if m := p.settings.Averaging.Mode; m == wire.AverageTime || m == wire.AverageCount {
				seconds *= 3 // exponential weights reach farther back
			}
		}
		h := p.live.History()
		samples = h.Interleaved(nil, min(int(min(seconds, recentMostS)*float64(b.d.info.SampleRateHz)), h.Unbroken()))
	})
	return samples, e
}
