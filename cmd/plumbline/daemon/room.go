package daemon

import (
	"context"
	"slices"
	"sync"

	"plumbline/capture"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/cmd/plumbline/events"
	"plumbline/cmd/plumbline/levels"
	"plumbline/cmd/plumbline/recorder"
	"plumbline/cmd/plumbline/watching"
	"plumbline/cmd/plumbline/webhook"
	"plumbline/stream"
	"plumbline/stream/metrics"
	"plumbline/stream/wire"
)

// room is who listens all the time beside the analysis, each on a goroutine of
// its own that the pump feeds through a ring.
type room struct {
	levels *levels.Levels
	watch  *watching.Watcher // nil without a shelf
	events *events.Keeper
	hook   *webhook.Hook // nil: nobody is told

	recorder *recorder.Recorder // nil: nothing is recorded
}

// listen makes the room.
func (d *Daemon) listen(serve *stream.Config) error {
	cfg := &d.cfg
	if cfg.Calibrations == nil {
		var err error
		if cfg.Calibrations, err = calibration.Open(""); err != nil {
			return err
		}
	}
	// Calibrations were once kept by the name alone, in which ALSA has the socket.
	if err := cfg.Calibrations.Adopt(d.info.Kind+" "+d.info.Name, d.info.Key()); err != nil {
		d.log.Warn("calibrations", "err", err)
	}
	var post func(wire.Event)
	if cfg.Webhook != "" {
		var err error
		if d.room.hook, err = webhook.New(webhook.Config{URL: cfg.Webhook, Logger: d.log}); err != nil {
			return err
		}
		post = func(e wire.Event) { d.room.hook.Post(e) }
	}
	var err error
	d.room.events, err = events.New(events.Config{
		SampleRateHz: d.info.SampleRateHz, Shelf: cfg.Shelf, Audio: d.clip,
		Changed: func(e wire.Event) { d.server.EventChanged(e) }, Post: post, Logger: d.log,
	})
	if err != nil {
		return err
	}
	d.room.levels, err = levels.New(levels.Config{
		SampleRateHz: d.info.SampleRateHz, Channels: len(d.info.Channels), Device: d.info.Key(),
		Microphones: d.pump.settings.Microphones, Calibrations: cfg.Calibrations, Shelf: cfg.Shelf,
		Publish: func(v wire.SoundLevels) {
			if d.server != nil { // nil while New makes the first one
				d.server.LevelsChanged(v)
			}
		},
		Crossed: d.room.events.Add, Logger: d.log, Now: cfg.levelClock,
	})
	if err != nil {
		return err
	}
	serve.Levels, serve.Metrics = d.room.levels, metrics.Handler(d.metrics)
	d.pump.taps = append(d.pump.taps, d.room.levels.Ring())
	if d.room.recorder = cfg.Recorder; d.room.recorder != nil {
		d.pump.taps = append(d.pump.taps, d.room.recorder.Ring())
	}
	if cfg.Shelf == nil {
		return nil
	}
	d.room.watch, err = watching.New(watching.Config{
		SampleRateHz: d.info.SampleRateHz, Channels: len(d.info.Channels), Source: d.info.Kind + " " + d.info.Name, Shelf: cfg.Shelf,
		Changed: func(v wire.Watches) { d.server.WatchesChanged(v) }, Found: d.room.events.Add, Logger: d.log,
	})
	if err != nil {
		return err
	}
	serve.Watch = d.room.watch
	if d.rig != nil {
		d.tellMuted(d.rig.Rig())
	}
	d.pump.taps = append(d.pump.taps, d.room.watch.Ring())
	return nil
}

// run runs all of the room until ctx is done.
func (r *room) run(ctx context.Context) {
	var all sync.WaitGroup
	start := func(run func(context.Context) error) {
		all.Go(func() { _ = run(ctx) }) // they only end with ctx
	}
	start(r.levels.Run)
	start(r.events.Run)
	if r.watch != nil {
		start(r.watch.Run)
	}
	if r.hook != nil {
		start(r.hook.Run)
	}
	if r.recorder != nil {
		start(r.recorder.Run)
	}
	all.Wait()
}

// tap gives a block, and what is missing in front of it, to those who listen.
// It does not wait: what does not fit is a gap to them.
func (p *pump) tap(block []float32, gap capture.Gap) {
	for _, r := range p.taps {
		if gap != (capture.Gap{}) {
			r.Mark(gap)
		}
		r.Write(block)
	}
}

// clip is events.Config.Audio: of the reference and a microphone, as long as the
// history has it.
func (d *Daemon) clip(ctx context.Context, microphone int, from, to uint64, atOnce bool) (c events.Clip, heard bool, err error) {
	longest := int(to - from)
	ref, mic := make([]float64, 0, longest), make([]float64, 0, longest)
	err = d.do(ctx, func() {
		p := &d.pump
		heard = p.sample >= to
		if !heard && !atOnce || microphone > len(d.info.Channels) {
			return
		}
		c.Channels = [2]int{p.settings.Reference, microphone}
		h := p.live.History()
		// The history's clock has run on while channels changed.
		behind := func(sample uint64) int { return h.Since(h.End() - min(p.sample-min(sample, p.sample), h.End())) }
		n, newest := behind(from), behind(to)
		if n <= newest {
			return
		}
		ref = h.Last(ref, c.Channels[0]-1, n)[:n-newest]
		mic = h.Last(mic, microphone-1, n)[:n-newest]
		c.From = p.sample - uint64(n)
	})
	c.Samples = make([]float32, 0, 2*len(ref))
	for i := range ref {
		c.Samples = append(c.Samples, float32(ref[i]), float32(mic[i]))
	}
	return c, heard, err
}

// measureLevels has the levels follow the microphones that are chosen.
func (d *Daemon) measureLevels(microphones []int) {
	if d.room.levels != nil { // nil while New makes the pump
		d.room.levels.Measure(slices.Clone(microphones))
	}
}
