package capture

import (
	"context"
	"time"
)

// catchUp is how far a Pacer may fall behind before it forgives the rest: a
// machine that slept an hour must not replay it in a burst.
const catchUp = time.Second

// Pacer lets a source without a converter keep the time of one. Moments are
// counted from the first, so that no rounding adds up. Not for two goroutines.
type Pacer struct {
	// Patient forgives nothing: what is late comes late, however late it is.
	Patient bool

	rateHz uint64
	start  time.Time
	frames uint64
}

// NewPacer makes a Pacer for a rate in frames a second, which must be positive.
// Time begins with its first Wait.
func NewPacer(rateHz int) *Pacer { return &Pacer{rateHz: uint64(rateHz)} }

// Wait returns when as many more frames would have come in. lost are the frames
// of a time that was forgiven in front of them: the source stood still, and has
// to Mark them. The error is that of ctx.
func (p *Pacer) Wait(ctx context.Context, frames int) (lost uint64, err error) {
	now := time.Now()
	if p.start.IsZero() {
		p.start = now
	}
	p.frames += uint64(frames)
	due := p.start.Add(time.Duration(p.frames/p.rateHz)*time.Second +
		time.Duration(p.frames%p.rateHz*uint64(time.Second)/p.rateHz))
	late := now.Sub(due)
	if late > catchUp && !p.Patient {
		p.start = p.start.Add(late)
		lost = uint64(late.Seconds() * float64(p.rateHz))
	}
	if late >= 0 {
		return lost, ctx.Err()
	}
	timer := time.NewTimer(-late)
	defer timer.Stop()
	select {
	case <-timer.C:
		return 0, nil
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}
