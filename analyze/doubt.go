package analyze

import (
	"math"

	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
)

// doubts looks at what no average shows: whether the path is linear, and what leaks.
// It looks at one microphone at a time, in excerpts of what was just heard, so
// that it costs the same for any number of them.
type doubts struct {
	linear   *linearity.Test
	leaks    *crosstalk.Test
	ref, mic []float64

	looksAt       int    // microphone
	delay         int    // of it, samples, when it began
	windows, late int    // taken of either test; late: for so many turns none could be
	next          uint64 // sample when the next excerpt is due
	leakDue       bool   // the other test is due
	done          int    // microphones that were looked at since it all began
}

// An excerpt is due every doubtEveryS for each of the two tests, and once all
// microphones have been looked at, every doubtSlower times as long. A microphone is
// looked at for doubtWindows of each, told of from leastDoubt on, and given up when
// there was none for doubtPatience.
const (
	doubtEveryS   = 1.75
	doubtSlower   = 4
	doubtWindows  = 8
	leastDoubt    = 5
	doubtPatience = 4
)

func newDoubts(rateHz float64) *doubts {
	d := &doubts{linear: linearity.New(rateHz), leaks: crosstalk.New(rateHz)}
	n := d.linear.Lead() + d.linear.Window()
	d.ref, d.mic = make([]float64, 0, 2*n), make([]float64, 0, 2*n)
	return d
}

// begin turns to microphone i.
func (d *doubts) begin(l *Live, i int) {
	d.looksAt, d.windows, d.late = i, 0, 0
	d.leaks.Reset()
	d.delay = int(math.Round(l.estimator.DelayS(i) * l.cfg.SampleRateHz))
	d.ref = l.history.Last(d.ref[:0], l.settings.Reference-1, cap(d.ref))
	top := 0.0
	for _, v := range d.ref {
		top = max(top, v, -v)
	}
	d.linear.Reset(top)
}

// doubt does at most one piece of work, some 10 ms.
func (l *Live) doubt() {
	d := l.doubts
	now := l.history.End()
	if l.settings.Hold || now < d.next {
		return
	}
	d.next = now + uint64(doubtEveryS/2*l.cfg.SampleRateHz)
	if d.done >= len(l.mics) {
		d.next = now + uint64(doubtSlower*doubtEveryS/2*l.cfg.SampleRateHz)
	}
	if d.leakDue = !d.leakDue; d.leakDue {
		l.doubtLeaks()
		return
	}
	m := &l.mics[d.looksAt]
	out := &l.frame.Microphones[d.looksAt]
	delay := int(math.Round(l.estimator.DelayS(d.looksAt) * l.cfg.SampleRateHz))
	if d.windows >= doubtWindows || d.late >= doubtPatience {
		if d.windows >= doubtWindows {
			d.done++
		}
		d.begin(l, (d.looksAt+1)%len(l.mics))
		return
	}
	// That it got louder or softer is no reason: it may be what is looked for.
	if delay-d.delay > 2 || d.delay-delay > 2 {
		out.NotLinear = 0
		d.begin(l, d.looksAt)
		return
	}
	n := d.linear.Lead() + d.linear.Window()
	if math.IsNaN(out.DelayMs) || d.delay < 0 || l.history.Unbroken() < n+d.delay || n+d.delay > cap(d.ref) {
		d.late++
		return
	}
	l.read(d.looksAt, n+d.delay)
	m.leak.Take(d.ref, d.mic)
	d.linear.Add(d.ref[:n], d.mic[len(d.mic)-d.linear.Window():])
	if d.windows++; d.windows >= leastDoubt {
		out.NotLinear = 0
		if fit, not := d.linear.Judge(); not {
			out.NotLinear = fit.Kind
		}
	}
}

// doubtLeaks takes the newest excerpt into the test for crosstalk.
func (l *Live) doubtLeaks() {
	d := l.doubts
	n := d.leaks.Window()
	if l.history.Unbroken() < n {
		return
	}
	l.read(d.looksAt, n)
	d.leaks.Add(d.ref, d.mic)
	m := &l.mics[d.looksAt]
	leak := d.leaks.Judge()
	switch {
	case leak.Into != crosstalk.None:
		if leak.Into != m.leak.Into || math.Abs(leak.Gain-m.leak.Gain) > 0.2*math.Abs(m.leak.Gain) {
			// What was found may be what leaks.
			m.follower.Reset()
			m.leak = leak
		}
	case m.leak.Into != crosstalk.None && d.windows >= doubtWindows:
		m.leak = crosstalk.Leak{}
	}
	l.frame.Microphones[d.looksAt].Leak = m.leak
}

// read puts the newest n samples of the reference and of microphone i into d.ref
// and d.mic.
func (l *Live) read(i, n int) {
	d := l.doubts
	d.ref = l.history.Last(d.ref[:0], l.settings.Reference-1, n)
	d.mic = l.history.Last(d.mic[:0], l.settings.Microphones[i]-1, n)
}
