package response

import (
	"fmt"
	"math"
)

// SetPeriod says that the reference repeats itself exactly every so many seconds;
// 0: it does not. It has then but the lines k/period, and what lies between is what
// the windows make of the nearest: the multi-resolution grid rests on those lines
// alone, each of which tells late sound once however often it comes, and is blank
// where there is none. A fixed window stays plain. The averages are kept.
func (e *Estimator) SetPeriod(seconds float64) error {
	if !(seconds >= 0) || math.IsInf(seconds, 1) {
		return fmt.Errorf("a period of %v s", seconds)
	}
	for _, l := range e.lates {
		if l == nil || l.trust == nil || l.period == seconds {
			continue
		}
		l.period = seconds
		for m := range l.band.mics {
			l.band.mics[m].changed = true
		}
	}
	return nil
}

// periodic marks the lines from…to of a group that a periodic reference does not
// have. Where those that it should have are no stronger than the rest, the period
// is not known well enough, and all are left.
func (t *trust) periodic(l *late, from, to int) {
	idle := t.idle[from:to]
	clear(idle)
	if l.period == 0 {
		return
	}
	apart := float64(l.band.size) / l.band.rateHz / l.period // of its lines, in lines
	if apart < 1 {
		return
	}
	var of, between, kept float64
	for i := range idle {
		k := float64(l.band.low + from + i)
		off := math.Abs(k - apart*math.Round(k/apart))
		if idle[i] = off > 0.5; idle[i] {
			between += l.xx[from+i]
		} else {
			kept++
			of += l.xx[from+i]
		}
	}
	if of*(float64(len(idle))-kept) < between*kept {
		clear(idle)
	}
}
