package setup

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/capture"
	"plumbline/capture/device"
	"plumbline/cmd/plumbline/daemon"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream/wire"
)

// Config of a Station.
type Config struct {
	Devices Devices
	Kept    *Kept
	// Daemon is what all daemons have in common, and the source of the first one; without
	// a Source that is the device of last time, or none.
	Daemon daemon.Config
	// Choice is what Daemon.Source was chosen as; nil: it is a file or a rig, and stays.
	Choice *wire.SourceChoice
}

// Station runs one daemon after the other, as sources are chosen. It is a
// stream.SetupOperator.
type Station struct {
	cfg Config
	log *slog.Logger
	now func() time.Time

	looking sync.Mutex // one at a time looks for devices

	mu      sync.Mutex
	current *session
	devices []device.Device
	trouble string // why there are no devices
	busy    bool   // the loopback is being checked
}

// session is one daemon and what it measures with.
type session struct {
	daemon   *daemon.Daemon
	source   capture.Source
	meters   *meters
	choice   *wire.SourceChoice // nil: no device
	began    time.Time
	loopback *wire.Loopback
	text     string // why it is not what somebody chose

	// next is what comes after it, once leave is closed; nil is no device.
	next    *wire.SourceChoice
	leaving bool
	leave   chan struct{}
}

// New starts nothing. A device of last time that is not there is no error.
func New(cfg Config) (*Station, error) {
	s := &Station{cfg: cfg, log: cfg.Daemon.Logger, now: time.Now}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if cfg.Daemon.Source != nil {
		if cfg.Choice != nil {
			s.look()
		}
		first, err := s.measure(cfg.Daemon, cfg.Choice)
		s.current = first
		return s, err
	}
	s.look()
	last, ok := cfg.Kept.Last()
	if ok {
		first, err := s.open(last)
		if err == nil {
			s.current = first
			return s, nil
		}
		s.log.Warn("the device of last time", "device", last.Device, "err", err)
		s.current, err = s.nothing(fmt.Sprintf("%s, the device of last time, cannot be used now: %s", s.name(last.Device), sentence(err)))
		return s, err
	}
	first, err := s.nothing("")
	s.current = first
	return s, err
}

// Run serves on l until ctx is done. It closes l. Call it once.
func (s *Station) Run(ctx context.Context, l net.Listener) error {
	p := newPorch(l)
	defer p.close()
	for {
		s.mu.Lock()
		now := s.current
		s.mu.Unlock()
		own, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- now.daemon.Run(own, p.door()) }()
		select {
		case err := <-ended:
			end()
			return err
		case <-now.leave:
		}
		end()
		if err := <-ended; err != nil {
			s.log.Error("the source before does not end", "err", err)
		}
		if ctx.Err() != nil {
			return nil
		}
		next, err := s.follow(now)
		if err != nil {
			return err
		}
		s.mu.Lock()
		s.current = next
		s.mu.Unlock()
	}
}

// follow makes the session after one that has ended: what was chosen, what was before,
// or none.
func (s *Station) follow(before *session) (*session, error) {
	s.look()
	if before.next == nil {
		return s.nothing("")
	}
	next, err := s.open(*before.next)
	if err == nil {
		if err := s.cfg.Kept.Keep(*before.next); err != nil {
			s.log.Warn("the choice of the device is not kept", "err", err)
			next.text = "What you chose is in force, but not kept: " + sentence(err)
		}
		return next, nil
	}
	s.log.Warn("the device that was chosen", "device", before.next.Device, "err", err)
	text := s.name(before.next.Device) + " was not taken: " + sentence(err)
	if before.choice != nil {
		if back, err := s.open(*before.choice); err == nil {
			back.text = text + " It goes on as it was."
			return back, nil
		}
	}
	return s.nothing(text)
}

// mostExtra is up to which input is captured beside those that are measured, so that a
// meter shows what hangs where.
const mostExtra = 8

// open makes a session on a device.
func (s *Station) open(c wire.SourceChoice) (*session, error) {
	least := max(c.Reference, slices.Max(c.Microphones))
	inputs, there := 0, false
	if d, ok := s.device(c.Device); ok {
		inputs, there = d.Inputs, true
	}
	if there && least > inputs {
		return nil, fmt.Errorf("it has inputs 1 to %d, and no input %d", inputs, least)
	}
	wanted := []int{max(least, min(inputs, mostExtra))}
	if wanted[0] != least {
		wanted = append(wanted, least) // all or none of them, on some
	}
	var first error
	for _, n := range wanted {
		cfg := device.Config{ID: c.Device, Reference: 1, SampleRateHz: c.RateHz}
		for ch := 2; ch <= n; ch++ {
			cfg.Microphones = append(cfg.Microphones, ch)
		}
		src, err := s.cfg.Devices.Open(cfg)
		if err != nil {
			first = cmp.Or(first, err)
			continue
		}
		d := s.cfg.Daemon
		d.Source, d.Rig, d.Recorder = src, nil, nil
		d.Reference, d.Microphones, d.Names = c.Reference, c.Microphones, c.Names
		d.Player, d.NoPlayer = nil, "No output is chosen under Set up, so the test signal must come from elsewhere."
		if c.Output != "" {
			player, err := s.cfg.Devices.Player(survey.OutputConfig{ID: c.Output, SampleRateHz: src.Info().SampleRateHz, Loopback: c.LoopbackOutput})
			if err != nil {
				return nil, err
			}
			d.Player = player
		}
		return s.measure(d, &c)
	}
	return nil, first
}

// nothing makes a session without a source.
func (s *Station) nothing(text string) (*session, error) {
	d := s.cfg.Daemon
	d.Source, d.Rig, d.Recorder, d.Player = none{cmp.Or(text, "No source yet: choose the device under Set up.")}, nil, nil, nil
	d.Reference, d.Microphones, d.Names = 1, []int{2}, nil
	d.NoPlayer = "There is no source yet: choose the device under Set up."
	now, err := s.measure(d, nil)
	if err == nil {
		now.text = text
	}
	return now, err
}

// measure makes a session of what a daemon is to be.
func (s *Station) measure(cfg daemon.Config, c *wire.SourceChoice) (*session, error) {
	info := cfg.Source.Info()
	now := &session{source: cfg.Source, meters: newMeters(len(info.Channels), info.SampleRateHz), choice: c, began: s.now(), leave: make(chan struct{})}
	cfg.Setup, cfg.Hear = s, now.meters.hear
	var err error
	now.daemon, err = daemon.New(cfg)
	return now, err
}

// look asks the system for its devices.
func (s *Station) look() {
	s.looking.Lock()
	defer s.looking.Unlock()
	all, err := s.cfg.Devices.List()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.devices, s.trouble = all, ""
	switch {
	case err != nil:
		s.trouble = sentence(err)
	case len(all) == 0:
		s.trouble = "No audio device is here: connect one, or start the system's sound, and look again."
	}
}

// device is one that was there when it was last looked.
func (s *Station) device(id string) (device.Device, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.devices, func(d device.Device) bool { return d.ID == id })
	if i < 0 {
		return device.Device{}, false
	}
	return s.devices[i], true
}

// name is a device for people.
func (s *Station) name(id string) string {
	if d, ok := s.device(id); ok {
		return d.Name
	}
	return id
}

// LookForDevices implements stream.SetupOperator.
func (s *Station) LookForDevices(context.Context) (wire.Setup, error) {
	if err := s.changeable(); err != nil {
		return wire.Setup{}, err
	}
	s.look()
	return s.Setup(), nil
}

// ChooseSource implements stream.SetupOperator.
func (s *Station) ChooseSource(ctx context.Context, c wire.SourceChoice, by string) (wire.Setup, error) {
	if err := s.changeable(); err != nil {
		return wire.Setup{}, err
	}
	chosen, there := s.device(c.Device)
	s.mu.Lock()
	now := s.current
	s.mu.Unlock()
	switch most := max(c.Reference, slices.Max(c.Microphones)); {
	case !there:
		return wire.Setup{}, refuse("device", http.StatusNotFound, "%s is not here: connect it and look again, or choose another device.", c.Device)
	case chosen.Inputs < 2:
		return wire.Setup{}, refuse("device", 0, "%s has too few inputs: reference and microphone are two inputs of one device.", chosen.Name)
	case most > chosen.Inputs:
		return wire.Setup{}, refuse("channels", 0, "%s has inputs 1 to %d, and no input %d.", chosen.Name, chosen.Inputs, most)
	}
	if now.same(c) {
		return s.rearrange(ctx, now, c, by)
	}
	s.log.Info("another source was chosen", "device", c.Device, "by", by)
	return s.leaveFor(now, &c)
}

// LeaveSource implements stream.SetupOperator.
func (s *Station) LeaveSource(_ context.Context, by string) (wire.Setup, error) {
	if err := s.changeable(); err != nil {
		return wire.Setup{}, err
	}
	s.mu.Lock()
	now := s.current
	s.mu.Unlock()
	if now.choice == nil {
		return s.Setup(), nil
	}
	v, err := s.leaveFor(now, nil)
	if err != nil {
		return v, err
	}
	s.log.Info("the source was let go", "by", by)
	if err := s.cfg.Kept.Leave(); err != nil {
		s.log.Warn("that the device was let go is not kept", "err", err)
	}
	return v, nil
}

// leaveFor ends a session for another one, once the answer is on its way.
func (s *Station) leaveFor(now *session, next *wire.SourceChoice) (wire.Setup, error) {
	s.mu.Lock()
	why := now.daemon.Occupied()
	switch {
	case now != s.current || now.leaving:
		why = "it is changing already: wait a moment"
	case s.busy:
		why = "the loopback is being checked: wait a moment"
	}
	if why == "" {
		now.next, now.leaving = next, true
		close(now.leave)
	}
	s.mu.Unlock()
	if why != "" {
		return wire.Setup{}, refuse("occupied", http.StatusConflict, "The source stays: %s.", why)
	}
	return s.Setup(), nil
}

// same says whether a choice is in force but for names and for what is made of the
// channels that are heard already.
func (n *session) same(c wire.SourceChoice) bool {
	return n.choice != nil && !n.leaving && n.choice.Device == c.Device && n.choice.RateHz == c.RateHz &&
		n.choice.Output == c.Output && n.choice.LoopbackOutput == c.LoopbackOutput &&
		max(c.Reference, slices.Max(c.Microphones)) <= len(n.meters.sum)
}

// rearrange changes what needs no other source.
func (s *Station) rearrange(ctx context.Context, now *session, c wire.SourceChoice, by string) (wire.Setup, error) {
	state := now.daemon.State().Settings
	if state.Reference != c.Reference || !slices.Equal(state.Microphones, c.Microphones) {
		if now.daemon.Surveying() { // a recording has all channels
			return wire.Setup{}, refuse("occupied", http.StatusConflict, "The channels stay: a survey is under way. Stop it, or wait until it is done.")
		}
		if _, err := now.daemon.Change(ctx, wire.SettingsPatch{Reference: &c.Reference, Microphones: c.Microphones}, by); err != nil {
			return wire.Setup{}, err
		}
	}
	if err := now.daemon.Rename(ctx, c.Names, by); err != nil {
		return wire.Setup{}, err
	}
	s.mu.Lock()
	if now.choice.Reference != c.Reference {
		now.loopback = nil // it was found for another one
	}
	now.choice, now.text = &c, ""
	s.mu.Unlock()
	if err := s.cfg.Kept.Keep(c); err != nil {
		s.mu.Lock()
		now.text = "What you chose is in force, but not kept: " + sentence(err)
		s.mu.Unlock()
	}
	return s.Setup(), nil
}

func (s *Station) changeable() error {
	if s.cfg.Daemon.Source != nil && s.cfg.Choice == nil {
		return refuse("virtual", http.StatusConflict, "The source is no device and stays: end plumbline and start it without arguments to choose one.")
	}
	return nil
}

func refuse(code string, status int, format string, args ...any) error {
	return &wire.Error{Code: code, Status: status, Text: fmt.Sprintf(format, args...)}
}

// Setup implements stream.SetupOperator.
func (s *Station) Setup() wire.Setup {
	s.mu.Lock()
	now, all, trouble := s.current, s.devices, s.trouble
	v := wire.Setup{State: wire.SetupReady, Changeable: s.changeable() == nil, Text: now.text, File: s.cfg.Kept.Path(),
		Devices: []wire.AudioDevice{}, Inputs: []wire.SetupInput{}, Loopback: now.loopback}
	if now.choice != nil {
		c := *now.choice
		v.Source = &c
	}
	if now.leaving {
		v.State = wire.SetupChanging
	}
	s.mu.Unlock()
	for _, d := range all {
		a := wire.AudioDevice{ID: d.ID, Name: d.Name, Host: d.Host, Inputs: d.Inputs, Outputs: d.Outputs, DefaultRateHz: d.DefaultRateHz, DefaultInput: d.DefaultInput}
		if c, ok := s.cfg.Kept.Of(d.ID); ok {
			a.Kept = &c
		}
		v.Devices = append(v.Devices, a)
	}
	state := now.daemon.State()
	if v.Source != nil { // pages and programs may have chosen others since
		v.Source.Reference, v.Source.Microphones = state.Settings.Reference, slices.Clone(state.Settings.Microphones)
		v.Source.Names = padded(v.Source.Names, len(state.Source.Channels))
	}
	if v.Text == "" && v.Source == nil {
		v.Text = trouble
	}
	switch {
	case !v.Changeable && state.Source.Kind == "rig":
		v.Text = "The source is the virtual rig: what hangs on each channel is as its scene says, and there is nothing to connect."
	case !v.Changeable:
		v.Text = "The source is a file: its channels are as they were recorded, and there is nothing to connect."
	}
	if state.Source.Kind != wire.SourceNone {
		for i, name := range state.Source.Channels {
			v.Inputs = append(v.Inputs, now.meters.input(i+1, name))
		}
	}
	v.Checks = s.checks(now, state, v.Loopback)
	return v
}

// padded are at least n names.
func padded(names []string, n int) []string {
	out := make([]string, max(n, len(names)))
	copy(out, names)
	return out
}

// sentence makes a sentence of an error.
func sentence(err error) string {
	var mine *wire.Error
	if errors.As(err, &mine) {
		return mine.Text
	}
	text := strings.TrimRight(strings.Join(strings.Fields(err.Error()), " "), ".")
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
