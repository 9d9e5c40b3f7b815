package device

import (
	"math"
	"time"
)

const (
	settle     = time.Second
	silentLoss = 0.100  // s; less is not told from a sound server that buffers more than before
	drift      = 500e-6 // no converter and system clock are further apart
	rateWindow = 10 * time.Second
	rateOff    = 0.01 // of the nominal rate; more is another rate
)

// clock compares the frames received with the time that has passed, for a host
// that loses samples need not say so.
//
// What only arrives late is missing for a moment as well. So the smallest
// arrears of a second count, and only above a base: the smallest arrears so far,
// which may creep up because no converter runs exactly at its rate.
type clock struct {
	rate   float64 // nominal, Hz; 0: not started
	began  time.Time
	frames float64 // received since it began, and lost as far as it is known

	base     float64   // arrears of a host that loses nothing
	judge    bool      // base is known; not in the first second, when buffers fill
	since    time.Time // the second under judgement
	smallest float64   // arrears over base in it

	rateSince  time.Time
	rateFrames float64
	lastHz     float64
	offRateHz  float64 // rate of the last two windows, if it is not the nominal one; else 0
}

// start begins with the arrival of the first block.
func (c *clock) start(now time.Time, rateHz float64) {
	*c = clock{rate: rateHz, began: now}
	c.settle(now)
}

// resume begins anew with the first block after a loss, and gives the frames missed.
func (c *clock) resume(now time.Time) int {
	missing := max(0, int(c.arrears(now)-c.base))
	c.frames += float64(missing)
	c.settle(now)
	return missing
}

// settle finds the base anew.
func (c *clock) settle(now time.Time) {
	c.judge = false
	c.base = math.Inf(1)
	c.next(now)
	c.rateSince, c.rateFrames, c.lastHz, c.offRateHz = now, 0, 0, 0
}

func (c *clock) next(now time.Time) { c.since, c.smallest = now, math.Inf(1) }

func (c *clock) arrears(now time.Time) float64 {
	return now.Sub(c.began).Seconds()*c.rate - c.frames
}

// add counts a block and gives the frames found missing in front of it.
func (c *clock) add(now time.Time, frames int) int {
	c.frames += float64(frames)
	c.measure(now, frames)
	behind := c.arrears(now)
	c.base = min(c.base, behind)
	c.smallest = min(c.smallest, behind-c.base)
	elapsed := now.Sub(c.since)
	if elapsed < settle {
		return 0
	}
	missing := 0
	if c.judge && c.smallest > silentLoss*c.rate {
		missing = int(c.smallest)
		c.frames += float64(missing)
	}
	c.judge = true
	c.base += drift * min(elapsed, rateWindow).Seconds() * c.rate // an hour asleep is no hour of drift
	c.next(now)
	return missing
}

// overflow counts a block in front of which the host says that samples were
// lost; waiting is what it holds beyond this block. It gives the frames lost.
func (c *clock) overflow(now time.Time, frames, waiting int) int {
	c.frames += float64(frames)
	c.measure(now, frames)
	missing := 0
	if c.judge {
		missing = max(0, int(c.arrears(now)-c.base)-waiting)
	}
	c.frames += float64(missing)
	c.next(now)
	return missing
}

// measure notices a device that runs at another rate than it says. Two windows
// must agree, for a stall makes one look slow.
func (c *clock) measure(now time.Time, frames int) {
	c.rateFrames += float64(frames)
	elapsed := now.Sub(c.rateSince)
	if elapsed < rateWindow {
		return
	}
	hz := c.rateFrames / elapsed.Seconds()
	c.offRateHz = 0
	if math.Abs(hz/c.rate-1) > rateOff && math.Abs(hz/c.lastHz-1) < rateOff {
		c.offRateHz = hz
	}
	c.lastHz = hz
	c.rateSince, c.rateFrames = now, 0
}
