package daemon

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"plumbline/analyze/setting"
	"plumbline/capture"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream"
)

// bench lends the daemon's samples to surveys. It implements survey.Bench.
type bench struct{ d *Daemon }

// Setup implements survey.Bench.
func (b bench) Setup() survey.Setup {
	s := b.d.State()
	return survey.Setup{
		Source: s.Source.Name, SampleRateHz: s.Source.RateHz, Channels: s.Source.Channels,
		Reference: s.Settings.Reference, Microphones: s.Settings.Microphones, TemperatureC: s.Settings.TemperatureC,
		Held: s.Settings.Hold,
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

const (
	// recentMostS bounds Recent, seconds.
	recentMostS = 20
	// staleAfter is how old the newest sample may be: a take of it is of now. A
	// device that delivers nothing for so long says so long before.
	staleAfter = 2 * time.Second
)

// Recent implements survey.Bench.
func (b bench) Recent(ctx context.Context, seconds float64) (samples []float32, err error) {
	p := &b.d.pump
	for behind := true; behind; {
		e := b.d.do(ctx, func() {
			var why error
			if why, behind = p.silence(); behind {
				return // what waits is heard first
			}
			if err = why; err != nil {
				return
			}
			if seconds == 0 {
				seconds = p.averagedS
				if m := p.settings.Averaging.Mode; m == setting.AverageTime || m == setting.AverageCount {
					seconds *= 3 // exponential weights reach farther back
				}
			}
			h := p.live.History()
			samples = h.Interleaved(nil, min(int(min(seconds, recentMostS)*float64(b.d.info.SampleRateHz)), h.Unbroken()))
		})
		if e != nil {
			return nil, e
		}
	}
	return samples, err
}

// silence says why nothing is heard now; nil: the newest sample is of now.
// behind: it is not, but newer ones wait in the ring.
func (p *pump) silence() (why error, behind bool) {
	status := p.status()
	late := p.heard.IsZero() || p.d.now().Sub(p.heard) > staleAfter
	if status.State == capture.Running && !late {
		return nil, false
	}
	if late && p.d.ring.Len() > 0 {
		return nil, true
	}
	reason := "nothing arrives"
	switch status.State {
	case capture.Starting:
		reason = "the " + p.d.info.Kind + " has not begun yet"
	case capture.Lost:
		reason = "the " + p.d.info.Kind + " is gone"
	case capture.Stalled:
		reason = "the " + p.d.info.Kind + " delivers nothing"
	case capture.Ended:
		reason = "the " + p.d.info.Kind + " has ended"
	case capture.Failed:
		reason = "the " + p.d.info.Kind + " could not go on"
	}
	since := "yet"
	if !p.heard.IsZero() {
		since = "since " + p.heard.Format(time.TimeOnly)
	}
	return &stream.Error{
		Code: "no_sound", Status: http.StatusConflict, Text: fmt.Sprintf("No sound %s: %s. The take was not stored.", since, reason),
	}, false
}
