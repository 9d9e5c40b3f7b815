package verdict

import (
	"math"

	"plumbline/analyze"
	"plumbline/analyze/caution"
)

// Options are what a sentence needs to know beside the frame.
type Options struct {
	TemperatureC float64  // of the air, for distances
	Grows        bool     // averages grow with time: waiting helps
	Names        []string // one a channel, from channel 1: seats are named by them
}

// name is that of a channel, from 1; empty if it has none.
func (o *Options) name(channel int) string {
	if channel < 1 || channel > len(o.Names) {
		return ""
	}
	return o.Names[channel-1]
}

func (o *Options) input(channel int) caution.Input {
	return caution.Input{Number: channel, Name: o.name(channel)}
}

// changeAfterS is how long another meaning must last before the sentence follows.
const changeAfterS = 1.0

// Keeper holds the sentence of one microphone. The zero Keeper is ready. It is
// not for two goroutines.
type Keeper struct {
	started    bool
	epoch      uint32
	lastS      float64
	shown      meaning
	sentence   Sentence
	differs    bool
	differsS   float64
	reference  channel
	microphone channel
}

// channel remembers what a meter forgets from frame to frame.
type channel struct {
	clipped   uint64
	clippedAt float64 // seconds in the sample clock
	loudAt    float64
}

func (c *channel) note(in *analyze.Input, silentDBFS, now float64) {
	if in.Clipped > c.clipped {
		c.clippedAt = now
	}
	c.clipped = in.Clipped
	if in.RMSDBFS > silentDBFS {
		c.loudAt = now
	}
}

// Update takes microphone i of the next frame and reports whether the sentence
// changed. It allocates only then.
func (k *Keeper) Update(f *analyze.Frame, i int, o Options) bool {
	now := float64(f.Sample) / f.SampleRateHz
	if !k.started || f.Epoch != k.epoch || now < k.lastS {
		fresh := channel{clippedAt: math.Inf(-1), loudAt: now}
		*k = Keeper{epoch: f.Epoch, reference: fresh, microphone: fresh}
		k.reference.clipped = f.Reference.Clipped
		k.microphone.clipped = f.Microphones[i].Clipped
	}
	k.lastS = now
	m := k.read(f, i, o)
	if k.started {
		if same(&k.shown, &m) {
			k.differs = false
			return false
		}
		if !k.differs {
			k.differs, k.differsS = true, now
		}
		// What waits for data, and what the operator did, needs no second thought.
		urgent := k.shown.kind == averaging || m.held != k.shown.held || m.temperature != k.shown.temperature || m.microphone != k.shown.microphone
		if !urgent && now-k.differsS < changeAfterS {
			return false
		}
	}
	k.started, k.differs = true, false
	k.shown = m
	k.sentence = m.sentence()
	return true
}

// Sentence is the newest one.
func (k *Keeper) Sentence() Sentence { return k.sentence }

// Cautions are what speaks against the measurement, the most urgent first, as the
// sentence has them.
func (k *Keeper) Cautions() []caution.Caution { return k.shown.cautions() }

// Reasons are those of the frame the sentence was made of: why there is no
// delay, and what the polarity rests on.
func (k *Keeper) Reasons() (delay, polarity string) {
	return k.shown.delayReason, k.shown.polarityReason
}
