package daemon

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"slices"
	"time"

	"plumbline/analyze"
	"plumbline/analyze/setting"
	"plumbline/capture"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// How often the pump looks after the source, and how often at most it tells
// everybody of figures that keep changing.
const (
	pollEvery  = 100 * time.Millisecond
	shareEvery = time.Second
)

// pump moves samples from the ring through the analysis to the server. Its
// goroutine is the only one that touches it once run has begun.
type pump struct {
	d        *Daemon
	live     *analyze.Live
	settings wire.Settings
	names    []string // of the channels
	by       string   // who changed the settings last
	revision uint64

	block     []float32 // one frame's worth of samples, interleaved
	next      uint64    // sample index at which a frame is due
	seq       uint64    // of the frame published last
	sample    uint64    // sample index behind the newest sample
	heard     time.Time // when that was heard; zero: nothing yet
	gaps      uint64
	bursts    uint64
	epoch     uint32
	averagedS float64
	listeners map[*listener]bool
	taps      []*capture.Ring // of the room
	delayMs   []float64       // found, by microphone; NaN for none
	progress  *wire.Progress
	sourceErr error
	over      bool // the source has ended and all it gave was analysed

	shared  time.Time // when figures were last told
	warned  time.Time
	warnedC capture.Counters
}

func (p *pump) init(d *Daemon, s wire.Settings) error {
	live, err := d.newLive(s, 1, nil)
	if err != nil {
		return err
	}
	step := d.info.SampleRateHz / FramesPerSecond
	*p = pump{
		d: d, live: live, settings: s, epoch: 1,
		block:     make([]float32, step*len(d.info.Channels)),
		next:      uint64(step),
		listeners: map[*listener]bool{},
		names:     d.named(d.cfg.Names),
	}
	if d.cfg.Hear != nil {
		p.listeners[&listener{d.cfg.Hear}] = true
	}
	p.forget()
	p.share()
	return nil
}

// run pumps until ctx is done. The source's end and its error arrive on failed.
func (p *pump) run(ctx context.Context, failed <-chan error) {
	defer close(p.d.ended)
	// The ear waits for samples, the pump for the ear: two lines that a select
	// can join with the commands. They take turns: a ring has one consumer.
	ctx, cancel := context.WithCancel(ctx)
	ear := make(chan error)
	turn := make(chan struct{}, 1)
	deaf := make(chan struct{})
	go func() {
		defer close(deaf)
		for {
			err := p.d.ring.Wait(ctx)
			select {
			case ear <- err:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
			select {
			case <-turn:
			case <-ctx.Done():
				return
			}
		}
	}()
	defer func() { cancel(); <-deaf }()

	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case command := <-p.d.commands:
			command()
		case err := <-ear:
			if err == nil {
				p.read()
				turn <- struct{}{}
				continue
			}
			if errors.Is(err, io.EOF) { // closed and empty
				p.over = true
				p.share()
			}
		case err := <-failed:
			p.sourceErr = err
			p.share()
		case <-tick.C:
			p.poll()
		}
	}
}

// read takes what is in the ring, up to the next frame, and publishes that.
func (p *pump) read() {
	channels := p.d.ring.Channels()
	for {
		want := int(p.next-p.sample) * channels
		n, sample, gap := p.d.ring.Read(p.block[:min(want, len(p.block))])
		if n == 0 {
			return
		}
		p.heard = p.d.now()
		for l := range p.listeners {
			l.hear(p.block[:n*channels], gap != capture.Gap{})
		}
		p.tap(p.block[:n*channels], gap)
		if gap.Cause != capture.NoGap {
			p.gaps++
			p.live.Gap(gap.LostFrames)
		}
		if gap.Changed {
			p.live.Changed()
		}
		p.live.Feed(p.block[:n*channels])
		p.sample = sample + uint64(n)
		if p.sample >= p.next {
			p.publish()
			p.next = p.sample + uint64(len(p.block)/channels)
			return // others may want the pump's attention
		}
	}
}

func (p *pump) publish() {
	f := p.live.Frame()
	p.seq++
	// These count on when the channels change and another Live takes over.
	f.Seq, f.Sample, f.Gaps = p.seq, p.sample, p.gaps
	p.bursts, p.averagedS = f.Bursts, f.AveragedS
	for i := range f.Microphones {
		p.delayMs[i] = f.Microphones[i].DelayMs
	}
	p.until(f)
	if f.Epoch != p.epoch {
		p.epoch = f.Epoch
		p.share() // before the first frame of the epoch
	}
	p.d.server.Publish(f)
	if p.seq == 1 {
		p.d.log.Info("first frame", "after_s", math.Round(time.Since(p.d.cfg.Started).Seconds()*1000)/1000)
	}
}

// until follows a measurement that ends by itself.
func (p *pump) until(f *analyze.Frame) {
	if p.settings.Averaging.Mode != setting.AverageUntil || math.IsNaN(f.UntilDone) {
		p.progress = nil
		return
	}
	done := f.UntilDone >= 1
	ended := done && (p.progress == nil || !p.progress.Done)
	if p.progress == nil {
		p.progress = new(wire.Progress)
	}
	a := p.settings.Averaging
	p.progress.Done = done
	p.progress.LeftS = wire.Value(f.UntilRemainingS)
	p.progress.WidthDB = wire.Value(width(f, a.LowHz, a.HighHz))
	p.settings.Hold = f.Hold
	if ended {
		p.share()
	}
}

// width is how sure 95 % of the points in a band are, the share that the goal
// is about: half their interval in dB, of the worst microphone.
func width(f *analyze.Frame, lowHz, highHz float64) float64 {
	worst := 0.0
	for i := range f.Microphones {
		c := &f.Microphones[i].Curve
		var halves []float64
		for k, hz := range c.FrequencyHz {
			if hz < lowHz || hz > highHz {
				continue
			}
			half := (c.MagnitudeHighDB[k] - c.MagnitudeLowDB[k]) / 2
			if math.IsNaN(half) {
				half = math.Inf(1)
			}
			halves = append(halves, half)
		}
		if len(halves) == 0 {
			return math.NaN()
		}
		slices.Sort(halves)
		worst = max(worst, halves[(len(halves)*95+99)/100-1])
	}
	return worst
}

// poll tells everybody what has changed with the source, and the log.
func (p *pump) poll() {
	now := time.Now()
	old := p.d.state.Load()
	state := p.describe()
	turned := state.Source.State != old.Source.State
	if turned {
		grave := slog.LevelInfo
		if p.sourceErr != nil {
			grave = slog.LevelError
		}
		p.d.log.Log(context.Background(), grave, "source is "+state.Source.State, "device", p.d.info.Name, "text", state.Source.Text)
	}
	moved := state.Source.Text != old.Source.Text || state.Counters != old.Counters ||
		state.Recording != nil && *state.Recording != *old.Recording ||
		p.progress != nil && !p.progress.Done
	if turned || moved && now.Sub(p.shared) >= shareEvery {
		p.share()
	}
	if now.Sub(p.warned) >= time.Second {
		p.warn(now, p.d.cfg.Source.Counters())
	}
}

// warn logs what has happened to the samples since the last time. Zeros are not
// lost samples: the programme may have paused on a digital input.
func (p *pump) warn(now time.Time, c capture.Counters) {
	old := p.warnedC
	if c == old {
		return
	}
	p.warned, p.warnedC = now, c
	log := p.d.log.With("device", p.d.info.Name)
	if n := c.ZeroRuns - old.ZeroRuns; n > 0 {
		log.Info("exact zeros amid the sound", "zero_runs", n)
	}
	c.ZeroRuns = old.ZeroRuns
	if c != old {
		log.Warn("samples were lost", "lost_frames", c.LostFrames-old.LostFrames, "overflows", c.Overflows-old.Overflows,
			"dropped_frames", c.DroppedRing-old.DroppedRing, "stalls", c.Stalls-old.Stalls)
	}
}

// status is how the source goes, as far as the pump has come.
func (p *pump) status() capture.Status {
	if p.sourceErr != nil {
		return capture.Status{State: capture.Failed, Text: p.sourceErr.Error()}
	}
	status := p.d.cfg.Source.Status()
	switch {
	case p.over && status.State != capture.Lost:
		status.State = capture.Ended
	case !p.over && status.State == capture.Ended: // its last samples wait in the ring
		status.State = capture.Running
	}
	return status
}

// describe puts the state together.
func (p *pump) describe() stream.State {
	info, status, c := p.d.info, p.status(), p.d.cfg.Source.Counters()
	s := stream.State{
		Revision: p.revision,
		Epoch:    p.epoch,
		Source: stream.Source{
			Kind: info.Kind, Name: info.Name, RateHz: info.SampleRateHz, Channels: p.names,
			State: status.State.String(), Text: status.Text,
		},
		Settings: p.settings,
		Counters: wire.Counters{
			Overflows: c.Overflows, Stalls: c.Stalls, ZeroRuns: c.ZeroRuns, LostFrames: c.LostFrames,
			DroppedFrames: c.DroppedRing, Gaps: p.gaps, Bursts: p.bursts,
		},
		ChangedBy: p.by,
	}
	if r := p.d.cfg.Recorder; r != nil {
		status := r.Status()
		s.Recording = &status
	}
	if p.progress != nil {
		progress := *p.progress // the state is everybody's, the progress goes on
		s.Progress = &progress
	}
	return s
}

// share makes a new state and tells everybody.
func (p *pump) share() {
	p.revision++
	p.shared = time.Now()
	state := p.describe()
	p.d.state.Store(&state)
	if p.d.server != nil { // nil while New makes the first one
		p.d.server.StateChanged(state)
	}
}

// forget drops what was found about the microphones.
func (p *pump) forget() {
	p.delayMs = make([]float64, len(p.settings.Microphones))
	for i := range p.delayMs {
		p.delayMs[i] = math.NaN()
	}
	p.progress = nil
}

// change puts a patch in force, or refuses it and leaves everything as it was.
func (p *pump) change(patch stream.SettingsPatch, by string) (stream.State, error) {
	next, err := p.keepFound(patch).Apply(p.settings, len(p.d.info.Channels))
	if err != nil {
		return stream.State{}, err
	}
	old := p.settings
	switch {
	case next.Reference != old.Reference || !slices.Equal(next.Microphones, old.Microphones):
		live, err := p.d.newLive(next, p.epoch+1, p.live.History())
		if err != nil {
			return stream.State{}, refused(err)
		}
		p.live = live
		p.d.measureLevels(next.Microphones)
		p.epoch++
		p.settings = next
		p.forget()
	default:
		if err := p.live.Set(next); err != nil {
			return stream.State{}, refused(err)
		}
		p.settings = next
		if next.Averaging.Mode == setting.AverageUntil && old.Hold && !next.Hold {
			p.live.Reset() // it held because it was sure: measure anew
		}
	}
	if next.Averaging.Mode != setting.AverageUntil {
		p.progress = nil
	}
	p.by = by
	p.share()
	return *p.d.state.Load(), nil
}

// keepFound completes a patch that fixes a delay without saying which: the one
// that was found.
func (p *pump) keepFound(patch stream.SettingsPatch) stream.SettingsPatch {
	patch.Delay = slices.Clone(patch.Delay)
	for i, d := range patch.Delay {
		m := slices.Index(p.settings.Microphones, d.Microphone)
		if m < 0 || d.Ms != nil || d.Mode == nil || *d.Mode != setting.DelayFixed || p.settings.Delay[m].Mode == setting.DelayFixed {
			continue
		}
		if ms := p.delayMs[m]; !math.IsNaN(ms) {
			ms = min(max(ms, 0), setting.MaxDelayMs)
			patch.Delay[i].Ms = &ms
		}
	}
	return patch
}

func refused(err error) error {
	return &stream.Error{Code: "settings", Text: err.Error(), Cause: err}
}

func (p *pump) reset(by string) {
	if p.settings.Averaging.Mode == setting.AverageUntil {
		p.settings.Hold = false // begin again
		if err := p.live.Set(p.settings); err != nil {
			p.d.log.Error("settings in force are refused", "err", err)
		}
	}
	p.live.Reset()
	p.progress = nil
	p.by = by
	p.share()
}
