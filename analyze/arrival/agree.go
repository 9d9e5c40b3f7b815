package arrival

import (
	"math"

	"plumbline/analyze/polarity"
)

const (
	// ownMs is how far an arrival may lie from what a verdict is about to be that: the
	// highest frequencies come a little before or after what was found.
	ownMs = 0.35
	// twiceMs: nothing nearer is told apart.
	twiceMs = 0.1
	// crowdedMs and crowdedDB: a sound so near and so loud shares the phase of most of
	// the band, and its sign is nobody's.
	crowdedMs = 1.2
	crowdedDB = -9
	// besideDB is how loud another arrival is that a verdict must tell apart: it may
	// be louder in a part of the band.
	besideDB = -12
	// leastOwnHz is up to where an arrival's own sound must bear its sign out, where all
	// that is heard does not.
	leastOwnHz = 1300
)

// Agree makes one truth of what is said about the same sound twice: the arrival
// that v is about and v have one sign and one delay. v rests on all that is heard, reflections
// and all; where that does not do, what the arrival's own sound says is taken, and
// where the two contradict each other, nothing. v says so when others arrive beside
// it, and is undecided when one is too near to tell, and when it is about none of
// list. Where nothing is trusted, no sign is told by whatever means. It may be called again with either of them new.
func Agree(list []Arrival, v *polarity.Verdict) {
	own := -1
	for i := range list {
		list[i].Sign = list[i].own.sign
	}
	for i, a := range list {
		if off := math.Abs(a.DelayMs - v.DelayMs); off < ownMs && (own < 0 || off < math.Abs(list[own].DelayMs-v.DelayMs)) {
			own = i
		}
	}
	v.Several = false
	if own < 0 {
		if len(list) > 0 {
			v.Undecide("the phase fits none of the arrivals")
		}
		return
	}
	v.DelayMs = list[own].DelayMs // one number for one arrival
	if v.Low {
		for i := range list {
			list[i].Sign = 0
		}
		return
	}
	a := &list[own]
	switch {
	case a.own.sign*v.Heard < 0:
		v.Undecide("its own sound and what the room makes of it contradict each other")
	case v.Crowded: // nor does its own sound tell which of the two it is
	case v.Heard == 0 && (a.own.highHz > 1.5*v.TrustedToHz || a.own.highHz < leastOwnHz):
		// Where it was told nothing is heard, or only the lows bear it out.
	case v.Heard == 0 && a.own.sign != 0:
		v.Take(a.own.sign, a.own.confidence, a.own.lowHz, a.own.highHz)
	}
	for i := range list {
		b := &list[i]
		switch off := math.Abs(b.DelayMs - a.DelayMs); {
		case i == own || off < twiceMs: // what is followed may be in the list twice
		case off < crowdedMs && b.LevelDB > a.LevelDB+crowdedDB:
			v.Undecide("another sound arrives within a millisecond of it: mute one of the two")
			b.Sign = 0
		case b.LevelDB > a.LevelDB+besideDB, b.own.sign*v.Sign < 0: // its level is that of a first lobe only
			v.Several = v.Sign != 0
		}
	}
	if v.Thin && !v.Several && v.Sign != 0 {
		v.Undecide("only the lows bear it out, and the highs fit no single loudspeaker: mute all but one")
	}
	if v.Sign == 0 {
		v.Several = false
	}
	a.Sign = v.Sign
}
