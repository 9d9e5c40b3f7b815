package device

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"plumbline/capture"
)

const (
	// StallLimit is how long nothing may arrive before a source is Stalled.
	StallLimit = 500 * time.Millisecond
	// ZeroLimit is the longest run of exact zeros on all channels that is taken
	// for sound. A converter has noise; longer runs were invented by the host,
	// or the input is digitally silent.
	ZeroLimit = 50 * time.Millisecond

	startLimit  = 3 * time.Second // the same for the first block; sound servers take their time
	watchEvery  = 100 * time.Millisecond
	lookEvery   = time.Second     // for a lost device
	letGoLimit  = 2 * time.Second // for a stream that is to end
	silentLimit = 2 * time.Second // zeros for longer get a sentence
)

// Config chooses what a Source captures. The zero Config is the host's default
// input with the reference in channel 1 and a microphone in channel 2.
type Config struct {
	ID              string        // of List, or the name of one device; "": the host's default input
	Reference       int           // input channel, from 1; 0: 1
	Microphones     []int         // input channels, from 1; nil: the first that is not the reference
	SampleRateHz    int           // 44100…192000; 0: 48000, or the device's own where it refuses that
	FramesPerBuffer int           // 64…2048; 0: 480
	Latency         time.Duration // the host's buffer, 100 ms…2 s; 0: 100 ms
}

// Source captures channels of one device: the reference first, then the
// microphones in the order asked for. It is a capture.Source.
type Source struct {
	host   host
	params streamParams
	pick   []int // indexes into a frame of the device
	info   capture.Info
	epoch  time.Time // of lastBlock

	running atomic.Bool // Run is
	stop    atomic.Bool // asks the owner of the stream to end

	// Written by the owner of the stream or by Run, read by anyone.
	state      atomic.Int32 // capture.State
	lastBlock  atomic.Int64 // ns since epoch: the wall clock may be set
	zeros      atomic.Int64 // frames of the present run of zeros
	losingS    atomic.Int64 // seconds of the last ten in which samples were lost, where that goes on; else 0
	measuredHz atomic.Int64 // rate by the clock where it is far from the nominal one, else 0
	trouble    atomic.Pointer[string]
	there      atomic.Bool // trouble is with a device that was found
	overflows, stalls, zeroRuns,
	lostFrames, dropped atomic.Uint64
	stalled atomic.Bool // for the owner: mark it in front of the next block

	losses losses // of Run's own goroutine
}

// Open checks that the device is there and takes the channels and the rate, and
// reserves nothing. Errors: capture.ErrNoDevice, capture.ErrUnavailable, or a
// sentence that says which channels or rates there are.
func Open(cfg Config) (*Source, error) { return openSource(system, cfg) }

func openSource(h host, cfg Config) (*Source, error) {
	if cfg.Reference == 0 {
		cfg.Reference = 1
	}
	if len(cfg.Microphones) == 0 {
		cfg.Microphones = []int{2}
		if cfg.Reference == 2 {
			cfg.Microphones = []int{1}
		}
	}
	if cfg.FramesPerBuffer == 0 {
		cfg.FramesPerBuffer = 480
	}
	if cfg.Latency == 0 {
		cfg.Latency = 100 * time.Millisecond
	}
	switch {
	case cfg.SampleRateHz != 0 && (cfg.SampleRateHz < minRateHz || cfg.SampleRateHz > maxRateHz):
		return nil, fmt.Errorf("sample rate %d Hz: choose one from %d to %d Hz", cfg.SampleRateHz, minRateHz, maxRateHz)
	case cfg.FramesPerBuffer < 64 || cfg.FramesPerBuffer > 2048:
		return nil, fmt.Errorf("%d frames a buffer: choose 64 to 2048", cfg.FramesPerBuffer)
	case cfg.Latency < 100*time.Millisecond || cfg.Latency > 2*time.Second:
		return nil, fmt.Errorf("latency %v: choose 100 ms to 2 s", cfg.Latency)
	}

	if err := h.acquire(); err != nil {
		return nil, err
	}
	defer h.release()
	dev, err := find(h, cfg.ID, input)
	if err != nil {
		return nil, err
	}
	s := &Source{host: h, epoch: time.Now()}
	s.info = capture.Info{Kind: "device", Name: dev.Name, Identity: dev.ID}
	channels := append([]int{cfg.Reference}, cfg.Microphones...)
	for _, ch := range []int{slices.Min(channels), slices.Max(channels)} {
		if ch < 1 || ch > dev.Inputs {
			return nil, fmt.Errorf("input %q has no channel %d: it has 1 to %d", dev.ID, ch, dev.Inputs)
		}
	}
	for i, ch := range channels {
		if i > 0 && slices.Contains(channels[1:i], ch) {
			return nil, fmt.Errorf("channel %d is asked for as a microphone twice", ch)
		}
		s.pick = append(s.pick, ch-1)
		s.info.Channels = append(s.info.Channels, fmt.Sprintf("input %d", ch))
	}
	s.params = streamParams{
		device:   dev,
		dir:      input,
		channels: slices.Max(s.pick) + 1,
		rateHz:   cfg.SampleRateHz,
		frames:   cfg.FramesPerBuffer,
		latency:  cfg.Latency,
	}
	if err := s.probe(); err != nil {
		return nil, err
	}
	s.info.SampleRateHz = s.params.rateHz
	return s, nil
}

// probe opens and closes the stream, and settles the rate where none was asked for.
func (s *Source) probe() error {
	wanted := []int{s.params.rateHz}
	if s.params.rateHz == 0 {
		wanted = []int{48000}
		if d := s.params.device.DefaultRateHz; d != 48000 && d >= minRateHz && d <= maxRateHz {
			wanted = append(wanted, d)
		}
	}
	var first error
	for _, hz := range wanted {
		s.params.rateHz = hz
		st, err := openStream(s.host, s.params, make([]float32, s.params.frames*s.params.channels))
		if err == nil {
			return st.close()
		}
		if first == nil {
			first = err
		}
	}
	return first
}

// Info says what is captured.
func (s *Source) Info() capture.Info { return s.info }

// Counters are the troubles since Open.
func (s *Source) Counters() capture.Counters {
	return capture.Counters{
		Overflows:   s.overflows.Load(),
		Stalls:      s.stalls.Load(),
		ZeroRuns:    s.zeroRuns.Load(),
		LostFrames:  s.lostFrames.Load(),
		DroppedRing: s.dropped.Load(),
	}
}

// Status says how the capture goes, in a sentence where it does not go well.
func (s *Source) Status() capture.Status {
	st := capture.Status{State: capture.State(s.state.Load())}
	id := s.params.device.ID
	switch st.State {
	case capture.Stalled:
		st.Text = fmt.Sprintf("input %q has delivered nothing for %.1f s: check the device and the system's sound", id, s.sinceBlock().Seconds())
	case capture.Lost:
		t := s.trouble.Load()
		switch {
		case t == nil:
			st.Text = fmt.Sprintf("input %q has gone: connect it again, it is looked for every second", id)
		case s.there.Load():
			st.Text = fmt.Sprintf("input %q is there and does not open, it is tried every second: %s", id, *t)
		default:
			st.Text = fmt.Sprintf("input %q has gone: connect it again, it is looked for every second (%s)", id, *t)
		}
	case capture.Running:
		if n := time.Duration(s.zeros.Load()) * time.Second / time.Duration(s.params.rateHz); n > silentLimit {
			st.Text = fmt.Sprintf("input %q has delivered exact zeros for %.0f s: unmute it, check the routing, and whether this program may use the microphone", id, n.Seconds())
		} else if n := s.losingS.Load(); n != 0 {
			st.Text = fmt.Sprintf("input %q has lost samples in %d of the last %d s: end other programs that use it, or this computer's processor", id, n, losingWindow)
		} else if hz := s.measuredHz.Load(); hz != 0 {
			st.Text = fmt.Sprintf("input %q delivers about %d samples a second and not %d: set both to the same rate", id, hz, s.params.rateHz)
		}
	}
	return st
}

func (s *Source) sinceBlock() time.Duration {
	return time.Since(s.epoch) - time.Duration(s.lastBlock.Load())
}

// Run captures into out, which has as many channels as Info says, until ctx is
// done. A device that goes away is looked for until it is back; the first
// opening must succeed. Run closes out. It returns an error also when the host
// does not let go of the stream in time; the process should then end.
func (s *Source) Run(ctx context.Context, out *capture.Ring) error {
	if out.Channels() != len(s.pick) {
		out.Close()
		return fmt.Errorf("the ring has %d channels, the source %d", out.Channels(), len(s.pick))
	}
	if !s.running.CompareAndSwap(false, true) {
		return errors.New("the source is running already")
	}
	defer s.running.Store(false)
	s.stop.Store(false)
	s.state.Store(int32(capture.Starting))
	s.lastBlock.Store(int64(time.Since(s.epoch)))

	owner := make(chan error, 1)
	go func() { owner <- s.own(ctx, out) }()

	watch := time.NewTicker(watchEvery)
	defer watch.Stop()
	for {
		select {
		case err := <-owner:
			s.state.Store(int32(capture.Ended))
			return err
		case <-watch.C:
			s.watch()
		case <-ctx.Done():
			// Stopping a stream while it is read crashes some hosts: ask, and wait.
			s.stop.Store(true)
			select {
			case err := <-owner:
				s.state.Store(int32(capture.Ended))
				return err
			case <-time.After(letGoLimit):
				return fmt.Errorf("input %q does not let go: end the program", s.params.device.ID)
			}
		}
	}
}

// watch notices that nothing arrives, which a blocking read cannot, and that samples keep
// getting lost.
func (s *Source) watch() {
	s.losingS.Store(int64(s.losses.look(time.Since(s.epoch), s.overflows.Load()+s.lostFrames.Load()+s.dropped.Load())))
	state := capture.State(s.state.Load())
	silence := s.sinceBlock()
	if !(state == capture.Running && silence > StallLimit || state == capture.Starting && silence > startLimit) {
		return
	}
	if s.state.CompareAndSwap(int32(state), int32(capture.Stalled)) {
		s.stalls.Add(1)
		s.stalled.Store(true)
	}
}

// own is the goroutine that owns the stream; no other touches it.
func (s *Source) own(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	c := &capturer{Source: s, out: out}
	for {
		err := c.attempt()
		if s.stop.Load() {
			return nil
		}
		if !c.opened {
			return err
		}
		text := err.Error()
		s.trouble.Store(&text)
		s.state.Store(int32(capture.Lost))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(lookEvery):
		}
	}
}
