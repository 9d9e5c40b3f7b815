package device

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"plumbline/capture"
)

// outputLatency is short, for what is buffered is still heard after the order to stop.
const outputLatency = 30 * time.Millisecond

// OutputConfig chooses where an Output plays. The zero OutputConfig is the first
// two channels of the host's default output at 48 kHz.
type OutputConfig struct {
	ID              string // of List, or the name of one device; "": the host's default output
	Channels        int    // output channels opened, from the first; 0: 2, or 1 where there is one only
	SampleRateHz    int    // 44100…192000; 0: 48000
	FramesPerBuffer int    // 64…2048; 0: 480
}

// Output plays to one device, on a stream of its own.
type Output struct {
	host      host
	params    streamParams
	playing   atomic.Bool
	stop      atomic.Bool
	underruns atomic.Uint64
}

// OpenOutput checks that the device is there and takes the channels and the
// rate, and reserves nothing.
func OpenOutput(cfg OutputConfig) (*Output, error) { return openOutput(system, cfg) }

func openOutput(h host, cfg OutputConfig) (*Output, error) {
	if cfg.SampleRateHz == 0 {
		cfg.SampleRateHz = 48000
	}
	if cfg.FramesPerBuffer == 0 {
		cfg.FramesPerBuffer = 480
	}
	switch {
	case cfg.SampleRateHz < minRateHz || cfg.SampleRateHz > maxRateHz:
		return nil, fmt.Errorf("sample rate %d Hz: choose one from %d to %d Hz", cfg.SampleRateHz, minRateHz, maxRateHz)
	case cfg.FramesPerBuffer < 64 || cfg.FramesPerBuffer > 2048:
		return nil, fmt.Errorf("%d frames a buffer: choose 64 to 2048", cfg.FramesPerBuffer)
	}
	if err := h.acquire(); err != nil {
		return nil, err
	}
	defer h.release()
	dev, err := find(h, cfg.ID, output)
	if err != nil {
		return nil, err
	}
	if cfg.Channels == 0 {
		cfg.Channels = min(2, dev.Outputs)
	}
	if cfg.Channels < 1 || cfg.Channels > dev.Outputs {
		return nil, fmt.Errorf("output %q has no channel %d: it has 1 to %d", dev.ID, cfg.Channels, dev.Outputs)
	}
	o := &Output{host: h, params: streamParams{
		device:   dev,
		dir:      output,
		channels: cfg.Channels,
		rateHz:   cfg.SampleRateHz,
		frames:   cfg.FramesPerBuffer,
		latency:  outputLatency,
	}}
	st, err := openStream(h, o.params, make([]float32, o.params.frames*o.params.channels))
	if err != nil {
		return nil, err
	}
	return o, st.close()
}

// SampleRateHz is the rate at which Play's blocks are played.
func (o *Output) SampleRateHz() int { return o.params.rateHz }

// Underruns counts how often the output ran dry, which is heard as a click.
func (o *Output) Underruns() uint64 { return o.underruns.Load() }

// Play asks fill for one block after the other, interleaved frames, and plays
// them until ctx is done; then it fades out over a block and is silent within
// 100 ms. fill is called in one goroutine, gets a block of zeros, and must not
// wait. Level, ramp and cap are fill's business. Play has ended what it started
// when it returns, unless its error says that the host does not let go.
func (o *Output) Play(ctx context.Context, fill func(block []float32)) error {
	if !o.playing.CompareAndSwap(false, true) {
		return errors.New("the output is playing already")
	}
	defer o.playing.Store(false)
	o.stop.Store(false)

	owner := make(chan error, 1)
	go func() { owner <- o.own(fill) }()
	select {
	case err := <-owner:
		return err
	case <-ctx.Done():
	}
	o.stop.Store(true)
	select {
	case err := <-owner:
		return err
	case <-time.After(letGoLimit):
		return fmt.Errorf("output %q does not let go: end the program", o.params.device.ID)
	}
}

// own is the goroutine that owns the stream.
func (o *Output) own(fill func([]float32)) error {
	if err := o.host.acquire(); err != nil {
		return err
	}
	defer o.host.release()
	dev, err := findAgain(o.host, o.params.device, output)
	if err != nil {
		return err
	}
	p := o.params
	p.device = dev
	buf := make([]float32, p.frames*p.channels)
	st, err := openStream(o.host, p, buf)
	if err != nil {
		return err
	}
	if err := st.start(); err != nil {
		return errors.Join(err, st.close())
	}
	err = o.write(st, buf, fill)
	_ = st.abort() // what is left to play is silence
	_ = st.close()
	if err != nil {
		return fmt.Errorf("output %q has gone: %w (%w)", p.device.ID, capture.ErrDeviceLost, err)
	}
	return nil
}

func (o *Output) write(st stream, buf []float32, fill func([]float32)) error {
	// All that fits now, before anything is written, is the host's buffer.
	buffer := min(st.ready(), o.params.rateHz/10)
	for last := false; !last; {
		last = o.stop.Load()
		clear(buf)
		fill(buf)
		if last {
			fadeOut(buf, o.params.channels)
		}
		if err := o.transfer(st); err != nil {
			return err
		}
	}
	// Silence pushes the faded block out of the buffer, and out of what a sound
	// server holds behind it, so that the abort that follows cuts nothing.
	clear(buf)
	for left := buffer + 2*o.params.frames; left > 0; left -= o.params.frames {
		if err := o.transfer(st); err != nil {
			return err
		}
	}
	return nil
}

func (o *Output) transfer(st stream) error {
	err := st.transfer()
	if err == errXrun {
		o.underruns.Add(1)
		return nil
	}
	return err
}

// fadeOut brings a block linearly to zero.
func fadeOut(block []float32, channels int) {
	frames := len(block) / channels
	for i := range block {
		block[i] *= 1 - float32(i/channels+1)/float32(frames)
	}
}
