package stationarity

import (
	"math"
	"slices"
)

const (
	// everyS is how often a Monitor looks, and keeps so many looks.
	everyS = 0.5
	looks  = 48
	sixths = 6
	// Less is not told of what is heard live: a follower jumps by a lobe of a
	// correlation now and then, tens of microseconds.
	leastDriftS, leastWanderS = 10e-6, 40e-6
	// To turn round so often is no step and no drift.
	leastTurns = 3
)

// Movement is what a path has been doing lately: Unknown, Still, Drifts or Wanders.
type Movement struct {
	Kind   Kind
	PPM    float64 // of Drifts
	RangeS float64 // of Wanders
}

// Monitor watches the delay of a path that is followed live, over the last 24 s. The
// zero Monitor is ready. It does not allocate; not for two goroutines.
type Monitor struct {
	delays  [looks]float64 // s, a ring
	sorted  [looks]float64 // scratch
	n, next int
	lastS   float64
	now     Movement
}

// Reset forgets all.
func (m *Monitor) Reset() { *m = Monitor{} }

// Movement is the newest.
func (m *Monitor) Movement() Movement { return m.now }

// Add says what the delay is at atS seconds, with its standard deviation. It may be
// called as often as one likes.
func (m *Monitor) Add(atS, delayS, sdS float64) {
	if m.n > 0 && atS >= m.lastS && atS < m.lastS+everyS {
		return
	}
	if m.n > 0 && !(atS < m.lastS+4*everyS && atS >= m.lastS) {
		m.Reset() // not heard for a while
	}
	m.lastS = atS
	m.delays[m.next] = delayS
	m.next = (m.next + 1) % looks
	m.n = min(m.n+1, looks)
	m.now = Movement{}
	if m.n == looks {
		m.now = m.judge(sdS)
	}
}

// at is look i, the oldest first.
func (m *Monitor) at(i int) float64 { return m.delays[(m.next+i)%looks] }

func (m *Monitor) judge(sdS float64) Movement {
	if ppm, ok := m.drift(sdS); ok {
		return Movement{Kind: Drifts, PPM: ppm}
	}
	if span, ok := m.wander(sdS); ok {
		return Movement{Kind: Wanders, RangeS: span}
	}
	return Movement{Kind: Still}
}

// drift: the medians of the sixths rise, or fall, in steps that are alike.
func (m *Monitor) drift(sdS float64) (ppm float64, ok bool) {
	const each = looks / sixths
	var medians [sixths]float64
	for s := range medians {
		part := m.sorted[:each]
		for i := range part {
			part[i] = m.at(s*each + i)
		}
		slices.Sort(part)
		medians[s] = (part[each/2-1] + part[each/2]) / 2
	}
	all := medians[sixths-1] - medians[0]
	if math.Abs(all) < max(leastDriftS, surely*sdS) {
		return 0, false
	}
	step := all / (sixths - 1)
	for s := 1; s < sixths; s++ {
		if r := (medians[s] - medians[s-1]) / step; r < 0.3 || r > 2 {
			return 0, false
		}
	}
	return 1e6 * step / (each * everyS), true
}

// wander: it turns round again and again, and is in between as often as not, which
// a choice of two lobes is not.
func (m *Monitor) wander(sdS float64) (span float64, ok bool) {
	for i := range m.sorted {
		m.sorted[i] = m.at(i)
	}
	slices.Sort(m.sorted[:])
	low, high := m.sorted[looks/16], m.sorted[looks-1-looks/16]
	span = high - low
	if span < max(leastWanderS, surely*sdS) {
		return 0, false
	}
	between := 0
	turns, way := 0, 0.0
	least, most := m.at(0), m.at(0)
	for i := range looks {
		v := m.at(i)
		if v > low+0.2*span && v < high-0.2*span {
			between++
		}
		least, most = min(least, v), max(most, v)
		switch {
		case way >= 0 && v < most-0.5*span:
			if way > 0 {
				turns++
			}
			way, least = -1, v
		case way <= 0 && v > least+0.5*span:
			if way < 0 {
				turns++
			}
			way, most = 1, v
		}
	}
	return span, turns >= leastTurns && between >= looks/4
}
