package response

import (
	"fmt"
	"math"
)

// Span is a stretch of a recording that is analysed by itself: the samples
// ReadFrom ≤ i < ReadTo are fed, and the segments of the reference that start
// in From ≤ i < To count.
type Span struct{ From, To, ReadFrom, ReadTo int64 }

// spanSamples is how long a Span is, about: some 20 s at 48 kHz, so that what is
// read twice does not matter and several cores have something to do. Tests set it.
var spanSamples int64 = 1 << 20

// Spans cuts a recording of that many frames into stretches that together count
// every whole segment once, at today's delays. They do not depend on who
// analyses them: give each worker an Estimator with the same Config, Averaging
// Infinite, and delays; for each Span call Begin, Feed and, on one that
// collects, Merge.
func (e *Estimator) Spans(frames int64) []Span {
	step, lead, tail := int64(1), int64(0), int64(0)
	for _, b := range e.all {
		d := int64(b.decimation)
		step = max(step, int64(b.hop)*d)
		low, high := int64(0), int64(0)
		for _, o := range b.offset {
			low, high = min(low, o), max(high, o)
		}
		lead = max(lead, (b.settle()-low)*d)
		// A halved signal lags by the reach of its filters.
		tail = max(tail, (int64(b.size)+high)*d)
	}
	for _, b := range e.all { // hops that do not divide each other: any step will do for one window
		if step%(int64(b.hop)*int64(b.decimation)) != 0 {
			step *= int64(b.hop) * int64(b.decimation)
		}
	}
	// Decimated samples keep their places only from a multiple of the decimation on.
	grid := int64(e.bands[len(e.bands)-1].decimation)
	length := max(step, spanSamples/step*step)
	var spans []Span
	for from := int64(0); from < frames; from += length {
		s := Span{From: from, To: from + length}
		s.ReadFrom = max(0, (from-lead)/grid*grid)
		s.ReadTo = min(frames, s.To+tail+grid)
		if s.To >= frames {
			s.To, s.ReadTo = frames, frames
		}
		spans = append(spans, s)
	}
	return spans
}

// Begin resets and prepares to be fed the samples of one Span.
func (e *Estimator) Begin(s Span) {
	e.Reset()
	for _, chain := range e.chains {
		clear(chain)
	}
	for _, b := range e.all {
		d := int64(b.decimation)
		for i := range b.tracks {
			b.tracks[i].start(s.ReadFrom / d)
		}
		b.start(max(b.ceil((s.From+d-1)/d), b.settle()))
		for i := range b.past {
			b.past[i].start = -1
		}
		b.stop = math.MaxInt64
		if s.To > 0 {
			b.stop = (s.To + d - 1) / d
		}
	}
}

// Merge adds the averages of src, an Estimator of the same Config and delays;
// both must average plainly.
func (e *Estimator) Merge(src *Estimator) error {
	a, b := e.cfg, src.cfg
	a.Averaging, b.Averaging = Averaging{}, Averaging{}
	if a != b {
		return fmt.Errorf("merge averages: the settings differ")
	}
	if e.cfg.Averaging.Mode != Infinite || src.cfg.Averaging.Mode != Infinite {
		return fmt.Errorf("merge averages: averaging is not infinite")
	}
	for m := range e.delays {
		if e.delays[m].seconds != src.delays[m].seconds {
			return fmt.Errorf("merge averages: microphone %d is delayed by %v s and %v s", m, e.delays[m].seconds, src.delays[m].seconds)
		}
	}
	for i := range e.all {
		for m := range e.all[i].mics {
			e.all[i].mics[m].merge(&src.all[i].mics[m])
		}
	}
	return nil
}

func (a *averages) merge(src *averages) {
	for i := range a.cells {
		c, d := &a.cells[i], &src.cells[i]
		c.xx, c.yy, c.re, c.im = c.xx+d.xx, c.yy+d.yy, c.re+d.re, c.im+d.im
	}
	for i := range a.groups {
		g, h := &a.groups[i], &src.groups[i]
		g.weight, g.variance, g.xx = g.weight+h.weight, g.variance+h.variance, g.xx+h.xx
	}
	for i, v := range src.squares {
		a.squares[i] += v
	}
	a.weight += src.weight
	a.changed = true
	a.burst.count += src.burst.count
}
