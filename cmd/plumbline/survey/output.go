package survey

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"plumbline/capture/device"
	"plumbline/capture/signal"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// OutputConfig chooses where an Output plays.
type OutputConfig struct {
	ID           string // of the device, as device.List names it
	SampleRateHz int
	// Loopback is the output channel, from 1, that always plays: the one to lead
	// back into the reference. 0: the signal is led back from the loudspeakers' own.
	Loopback int
}

// Output plays pink noise on the output channels that the show's loudspeakers
// have. It is a Player. What it plays must come back into the reference channel
// by a cable: its own samples are no reference.
type Output struct{ cfg OutputConfig }

// NewOutput checks that the device plays at this rate.
func NewOutput(cfg OutputConfig) (*Output, error) {
	if cfg.Loopback < 0 || cfg.Loopback > maxChannel {
		return nil, fmt.Errorf("loopback channel %d: choose an output channel from 1 to %d, or 0 for none", cfg.Loopback, maxChannel)
	}
	if _, err := device.OpenOutput(device.OutputConfig{ID: cfg.ID, Channels: cfg.Loopback, SampleRateHz: cfg.SampleRateHz}); err != nil {
		return nil, err
	}
	return &Output{cfg}, nil
}

// maxChannel is the highest output channel that a show has.
const maxChannel = 64

// Has implements Player.
func (o *Output) Has() []show.Loudspeaker { return nil }

// Plays implements Player.
func (o *Output) Plays(all []show.Loudspeaker) (names []string, reason string) {
	for _, l := range all {
		if l.Channel > 0 {
			names = append(names, l.Name)
		}
	}
	if len(names) == 0 {
		return nil, "No loudspeaker of this show has an output channel: give each the channel that plays it."
	}
	return names, ""
}

// Claim implements Player.
func (o *Output) Claim(string) (Session, error) { return &outputSession{cfg: o.cfg}, nil }

type outputSession struct {
	cfg       OutputConfig
	underruns uint64
}

// Underruns implements Session.
func (s *outputSession) Underruns() uint64 { return s.underruns }

// Release implements Session: between steps nothing plays.
func (*outputSession) Release() error { return nil }

// Play implements Session.
func (s *outputSession) Play(ctx context.Context, playing []show.Loudspeaker, ramp Ramp, begun func()) error {
	channels := max(2, s.cfg.Loopback)
	var use []int
	if s.cfg.Loopback > 0 {
		use = append(use, s.cfg.Loopback-1)
	}
	for _, l := range playing {
		if l.Channel < 1 {
			return fmt.Errorf("%s has no output channel: give it one, or mute by hand", l.Name)
		}
		channels = max(channels, l.Channel)
		if !slices.Contains(use, l.Channel-1) {
			use = append(use, l.Channel-1)
		}
	}
	out, err := device.OpenOutput(device.OutputConfig{ID: s.cfg.ID, Channels: channels, SampleRateHz: s.cfg.SampleRateHz})
	if err != nil {
		return err
	}
	noise, err := newNoise(out.SampleRateHz(), ramp)
	if err != nil {
		return err
	}
	defer func() { s.underruns += out.Underruns() }()
	return out.Play(ctx, func(block []float32) {
		if noise.at == 0 {
			begun()
		}
		noise.fill(block, channels, use)
	})
}

// fadeInS is how long the signal takes from silence to where its ramp begins.
const fadeInS = 0.1

// noise is pink noise along a ramp. Its level is that of the ramp and never
// above, and what would clip is cut off.
type noise struct {
	generator *signal.Generator
	rateHz    float64
	ramp      Ramp
	at        int // frames
	block     []float64
}

func newNoise(rateHz int, ramp Ramp) (*noise, error) {
	if !(ramp.ToDBFS <= wire.HighestCapDBFS) || ramp.FromDBFS > ramp.ToDBFS {
		return nil, fmt.Errorf("a test signal of %g dBFS is above the highest cap, %d dBFS", ramp.ToDBFS, wire.HighestCapDBFS)
	}
	g, err := signal.New(signal.Config{Kind: signal.Pink, SampleRateHz: rateHz, LevelDBFS: ramp.ToDBFS, Seed: uint64(time.Now().UnixNano()), RampS: fadeInS})
	if err != nil {
		return nil, err
	}
	return &noise{generator: g, rateHz: float64(rateHz), ramp: ramp}, nil
}

// fill plays the same on each of the channels use, counted from 0.
func (n *noise) fill(block []float32, channels int, use []int) {
	frames := len(block) / channels
	n.block = slices.Grow(n.block[:0], frames)[:frames]
	n.generator.Fill(n.block)
	for i, x := range n.block {
		t := float64(n.at) / n.rateHz
		below := min(0, n.ramp.At(time.Duration(t*float64(time.Second)))-n.ramp.ToDBFS)
		y := float32(min(1, max(-1, x*math.Pow(10, below/20))))
		for _, c := range use {
			block[i*channels+c] = y
		}
		n.at++
	}
}
