// Package daemon runs a source, its analysis and the server as one:
//
//	Source ──► Ring ──► pump: analyze.Live ──► Frame ──► stream.Server ──► clients
//	                      ▲                                    │
//	                      └─────────── commands ───────────────┘
//
// Goroutines: one runs the source; the pump owns the analysis, the settings and
// the state; a third waits for the ring on the pump's behalf, so that the pump
// can wait for commands at the same time; a fourth performs surveys, when there
// is a show to keep them in; the room (levels, watch, events) has its own. All have ended when Run returns.
package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"slices"
	"sync/atomic"
	"time"

	"plumbline/analyze"
	"plumbline/analyze/setting"
	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/cmd/plumbline/recorder"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream"
	"plumbline/stream/access"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// FramesPerSecond is how many frames are published for a second of audio.
const FramesPerSecond = 20

// ringS is how much audio waits for a pump that is late, in seconds.
const ringS = 2

// Config says what a Daemon measures.
type Config struct {
	Source      capture.Source
	Rig         *rig.Rig // the source, when it is a virtual rig; else nil
	Reference   int      // channel of the source, from 1; 0 is 1
	Microphones []int    // channels, from 1; nil is every other one, up to 32
	// Shelf keeps the shows; nil: no takes, surveys and plans. The caller closes
	// it when Run has returned.
	Shelf *show.Shelf
	// Surveyed are seats at which the Rig is surveyed into the open show, from rendered
	// sound, when Run begins; nil: none.
	Surveyed []Seat
	// Player sounds the test signal of surveys; nil: a virtual rig does it
	// itself, and others cannot.
	Player survey.Player
	// Calibrations are those of the microphones; nil: none are kept.
	NoPlayer string   // why there is no Player; empty: none was asked for
	Names    []string // what hangs on each channel, from channel 1; empty: its own name
	// Hear is called with every block on the pump's goroutine, under the rules of
	// survey.Bench.Listen; nil: nobody listens.
	Hear         func(block []float32, broken bool)
	Setup        stream.SetupOperator // nil: the source is chosen for good
	Calibrations *calibration.Store
	Webhook      string             // address that events are posted to; empty: none
	Recorder     *recorder.Recorder // of what is heard; nil: nothing is recorded
	UI           fs.FS              // the pages; nil: the API only
	Gate         *access.Gate       // asks for tokens; nil: only this computer can reach the listener
	Hosts        []string           // names of this computer that clients of a Gate may use
	Started      time.Time          // when the program did, for the log; zero is now
	// Now is the clock that says whether what is heard is of now; nil: the computer's.
	Now    func() time.Time
	Logger *slog.Logger

	stopWithin time.Duration // in place of stopLimit: tests run beside other work
	// levelClock is levels.Config.Now: a test's day goes faster than the computer's.
	levelClock func() (wall time.Time, steady time.Duration)
}

// Daemon is a running measurement. It is a stream.Operator.
type Daemon struct {
	cfg    Config
	info   capture.Info
	log    *slog.Logger
	now    func() time.Time
	server *stream.Server
	ring   *capture.Ring
	rig    *rigOperator     // nil but for a virtual rig
	survey *survey.Surveyor // nil without a shelf
	room   room

	// in
	commands chan func()
	ended    chan struct{} // closed when the pump takes no more commands

	// shared
	state atomic.Pointer[stream.State]

	pump pump
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Daemon, error) {
	if cfg.Source == nil {
		return nil, errors.New("daemon: Config.Source is missing")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Started.IsZero() {
		cfg.Started = time.Now()
	}
	d := &Daemon{
		cfg:      cfg,
		info:     cfg.Source.Info(),
		log:      cfg.Logger,
		now:      cfg.Now,
		commands: make(chan func()),
		ended:    make(chan struct{}),
	}
	channels := len(d.info.Channels)
	if cfg.Reference == 0 {
		cfg.Reference = 1
	}
	microphones := slices.Sorted(slices.Values(cfg.Microphones))
	for c := 1; cfg.Microphones == nil && c <= channels && len(microphones) < setting.MaxMicrophones; c++ {
		if c != cfg.Reference {
			microphones = append(microphones, c)
		}
	}
	settings := setting.Default(cfg.Reference, microphones)
	if cfg.Rig != nil {
		settings.TemperatureC = cfg.Rig.Scene().TemperatureC
	}
	d.ring = capture.NewRing(channels, ringS*d.info.SampleRateHz)
	if err := d.pump.init(d, settings); err != nil {
		return nil, err
	}
	if cfg.Rig != nil {
		d.rig = newRigOperator(d, cfg.Rig)
	}
	serve := stream.Config{Operator: d, UI: cfg.UI, Logger: cfg.Logger, Setup: cfg.Setup, Gate: cfg.Gate, Hosts: cfg.Hosts}
	if cfg.Rig != nil {
		serve.Rig = d.rig
	}
	if err := d.keepShows(&serve); err != nil {
		return nil, err
	}
	if err := d.listen(&serve); err != nil {
		return nil, err
	}
	var err error
	d.server, err = stream.New(serve)
	return d, err
}

// Run measures and serves on l until ctx is done, then ends in order, within stopLimit:
// whatever the daemon plays, the listener and the clients, who listens to the room, the
// pump, the source. A source that fails or ends leaves the server running; the state says
// so. Run closes l. Call it once.
func (d *Daemon) Run(ctx context.Context, l net.Listener) error {
	// A context for each, because the order of ending matters.
	begin := func(name string, run func(ctx context.Context)) running {
		own, end := context.WithCancel(context.WithoutCancel(ctx))
		done := make(chan struct{})
		go func() { defer close(done); run(own) }()
		return running{name, end, done}
	}
	failed := make(chan error, 1)
	source := begin("source", func(ctx context.Context) {
		err := d.cfg.Source.Run(ctx, d.ring)
		if err != nil {
			d.log.Error("source failed", "device", d.info.Name, "err", err)
		}
		failed <- err
	})
	pump := begin("analysis", func(ctx context.Context) { d.pump.run(ctx, failed) })
	d.log.Info("measuring", "kind", d.info.Kind, "device", d.info.Name, "rate_hz", d.info.SampleRateHz, "channels", len(d.info.Channels))
	survey := begin("survey", func(ctx context.Context) {
		if d.survey != nil {
			_ = d.survey.Run(ctx) // it only ends with ctx
		}
	})
	before := begin("survey of the scene", d.surveyBefore)
	room := begin("log", d.room.run)
	var err error
	server := begin("server", func(ctx context.Context) { err = d.server.Run(ctx, l) })

	select {
	case <-ctx.Done():
	case <-server.done:
	}
	if hung := endAll(cmp.Or(d.cfg.stopWithin, stopLimit), before, survey, server, room, pump, source); hung != nil {
		return hung
	}
	d.log.Info("ended")
	return err
}

// State implements stream.Operator.
func (d *Daemon) State() stream.State { return *d.state.Load() }

// Change implements stream.Operator.
func (d *Daemon) Change(ctx context.Context, p stream.SettingsPatch, by string) (stream.State, error) {
	var state stream.State
	var err error
	if e := d.do(ctx, func() { state, err = d.pump.change(p, by) }); e != nil {
		return state, e
	}
	return state, err
}

// Reset implements stream.Operator.
func (d *Daemon) Reset(ctx context.Context, by string) error {
	return d.do(ctx, func() { d.pump.reset(by) })
}

// Rename says what hangs on each channel, from channel 1; empty: its own name.
func (d *Daemon) Rename(ctx context.Context, names []string, by string) error {
	return d.do(ctx, func() {
		d.pump.names, d.pump.by = d.named(names), by
		d.pump.share()
	})
}

// named are the names of all channels.
func (d *Daemon) named(names []string) []string {
	all := slices.Clone(d.info.Channels)
	for i := range min(len(all), len(names)) {
		if names[i] != "" {
			all[i] = names[i]
		}
	}
	return all
}

// Frame is the newest frame; false: there is none yet.
func (d *Daemon) Frame() (wire.Object, bool) { return d.server.Frame() }

// Levels are the sound levels now.
func (d *Daemon) Levels() wire.SoundLevels { return d.room.levels.Levels() }

// Surveying says whether a survey sounds, or is about to.
func (d *Daemon) Surveying() bool {
	if d.survey == nil {
		return false
	}
	v := d.survey.Survey()
	return v.Running()
}

// Occupied says what a change of source would break off; empty: nothing.
func (d *Daemon) Occupied() string {
	if d.Surveying() {
		return "a survey is under way: stop it, or wait until it is done"
	}
	if r := d.cfg.Recorder; r != nil && r.Status().State != wire.RecordingStopped {
		return r.Status().File + " is being recorded: end plumbline, and start it again without --record"
	}
	return ""
}

// Listen has hear called with every block from now on, under the rules of survey.Bench.
func (d *Daemon) Listen(ctx context.Context, hear func(block []float32, broken bool)) (stop func(), err error) {
	return bench{d}.Listen(ctx, hear)
}

// do has the pump carry out a command and waits until it has.
func (d *Daemon) do(ctx context.Context, command func()) error {
	done := make(chan struct{})
	select {
	case d.commands <- func() { command(); close(done) }:
		<-done // the pump finishes what it has taken
		return nil
	case <-d.ended:
		return &stream.Error{Code: "ending", Text: "plumbline is ending: start it again", Status: 503}
	case <-ctx.Done():
		return ctx.Err()
	}
}

// newLive starts an analysis for these settings, in the given epoch, going on
// with the history of the one before, if there was one.
func (d *Daemon) newLive(s wire.Settings, epoch uint32, history *analyze.History) (*analyze.Live, error) {
	cfg := analyze.LiveConfig{
		SampleRateHz: float64(d.info.SampleRateHz),
		Channels:     len(d.info.Channels),
		Epoch:        epoch,
		History:      history,
		Settings:     s,
	}
	live, err := analyze.NewLive(cfg)
	if err != nil {
		return nil, fmt.Errorf("measure at %d Hz: %w", d.info.SampleRateHz, err)
	}
	return live, nil
}
