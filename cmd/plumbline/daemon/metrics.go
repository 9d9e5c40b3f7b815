package daemon

import (
	"plumbline/stream/metrics"
)

// metrics reads everything that is offered to collectors.
func (d *Daemon) metrics() metrics.Reading {
	r := metrics.Reading{State: d.State(), Levels: d.room.levels.Levels(), Events: map[metrics.Event]uint64{}}
	if frame, ok := d.server.Frame(); ok {
		r.Frame = &frame
	}
	stats := d.server.Stats()
	r.Clients, r.Published, r.Sent, r.Skipped = stats.Clients, stats.Published, stats.Sent, stats.Skipped
	byKind, _ := d.room.events.Counts()
	for k, n := range byKind {
		r.Events[metrics.Event{Microphone: k.Microphone, Kind: k.Kind}] = n
	}
	if d.room.watch != nil {
		r.Watches = d.room.watch.Watches()
	}
	if d.room.hook != nil {
		r.Posted, r.PostFailed = d.room.hook.Counts()
	}
	return r
}
