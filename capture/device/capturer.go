package device

import (
	"errors"
	"time"

	"plumbline/capture"
)

// capturer is what the goroutine that owns the stream works with.
type capturer struct {
	*Source
	out    *capture.Ring
	opened bool // the device has been open before: from now on it can only be lost

	raw, picked []float32
	clock       clock
	heard       bool // anything but zeros, since the start
	run         int  // frames of zeros up to now
	marked      bool // the run is over the limit, counted and marked
}

// attempt opens the device, found anew, and reads it until it fails or is
// stopped. It never returns nil unless it was stopped.
func (c *capturer) attempt() error {
	if err := c.host.acquire(); err != nil {
		return err
	}
	defer c.host.release()
	dev, err := findAgain(c.host, c.params.device, input)
	if err != nil {
		c.there.Store(false)
		return err
	}
	p := c.params
	p.device = dev
	if c.raw == nil {
		c.raw = make([]float32, p.frames*p.channels)
		c.picked = make([]float32, p.frames*len(c.pick))
	}
	st, err := openStream(c.host, p, c.raw)
	if err != nil {
		c.there.Store(true)
		return err
	}
	if err := st.start(); err != nil {
		c.there.Store(true)
		return errors.Join(err, st.close())
	}
	c.opened = true
	c.there.Store(false) // what ends it from now on is most often a plug
	err = c.read(st)
	_ = st.abort() // after the error that ended it, this one says nothing new
	_ = st.close()
	return err
}

// read is the loop that must not miss a block: no lock, no log, no allocation.
func (c *capturer) read(st stream) error {
	for !c.stop.Load() {
		err := st.transfer()
		if err != nil && err != errXrun {
			return err
		}
		c.block(st, err == errXrun)
	}
	return nil
}

// block counts, marks and passes on one buffer.
func (c *capturer) block(st stream, overflow bool) {
	now := time.Now()
	frames := c.params.frames
	reopened := c.state.Load() == int32(capture.Lost)
	c.lastBlock.Store(int64(now.Sub(c.epoch)))
	c.state.Store(int32(capture.Running))

	stalled := c.stalled.Swap(false)

	switch {
	case c.clock.rate == 0: // nothing before it to be kept apart
		c.clock.start(now, float64(c.params.rateHz))
	case reopened:
		c.lose(capture.Reopened, c.clock.resume(now))
	case overflow:
		c.overflows.Add(1)
		c.lose(capture.Overflow, c.clock.overflow(now, frames, st.ready()))
	default:
		missing := c.clock.add(now, frames)
		if stalled {
			c.lose(capture.Stall, missing)
		} else if missing > 0 { // the host did not say
			c.lose(capture.Overflow, missing)
		}
	}
	c.measuredHz.Store(int64(c.clock.offRateHz))

	for i, ch := range c.pick {
		for f := range frames {
			c.picked[f*len(c.pick)+i] = c.raw[f*c.params.channels+ch]
		}
	}
	c.store()
	c.dropped.Store(c.out.Dropped())
}

// lose marks a discontinuity in front of the next frame.
func (c *capturer) lose(cause capture.GapCause, frames int) {
	c.lostFrames.Add(uint64(frames))
	c.out.Mark(capture.Gap{Cause: cause, LostFrames: uint64(frames)})
}

// store writes the block, with a mark where a run of zeros is recognized and
// where it ends: on either side of both, windows must not mix the two. Zeros
// before the first sound interrupt nothing: a digital input or a sound server
// delivers them until something plays.
func (c *capturer) store() {
	width := len(c.pick)
	lead, trail := zeroFrames(c.raw, c.params.channels)
	limit := int(ZeroLimit.Seconds() * float64(c.params.rateHz))

	c.run += lead
	if c.heard && c.run > limit && !c.marked {
		c.marked = true
		c.zeroRuns.Add(1)
		c.out.Mark(capture.Gap{Cause: capture.Zeros})
	}
	if lead == c.params.frames {
		c.out.Write(c.picked)
	} else {
		if c.marked {
			c.out.Write(c.picked[:lead*width])
			c.out.Mark(capture.Gap{Cause: capture.Zeros})
			c.out.Write(c.picked[lead*width:])
		} else {
			c.out.Write(c.picked)
		}
		c.run, c.marked, c.heard = trail, false, true
	}
	c.zeros.Store(int64(c.run))
}

// zeroFrames counts the frames at both ends that are zero on all channels.
func zeroFrames(block []float32, channels int) (lead, trail int) {
	i, n := 0, len(block)
	for i < n && block[i] == 0 {
		i++
	}
	if i == n {
		return n / channels, n / channels
	}
	j := n
	for block[j-1] == 0 {
		j--
	}
	return i / channels, (n - j) / channels
}
