package arrival

import (
	"math"

	"plumbline/analyze/polarity"
)

const (
	// ownMs is how far an arrival may lie from what a verdict is about to be that: the
	// highest frequencies come a little before or after what was found.
	ownMs = 0.35
	// crowdedMs and crowdedDB: a sound so near and so loud shares the phase of most of
	// the band, and its sign is nobody's.
	crowdedMs = 1.2
	crowdedDB = -9
	// besideDB is how loud another arrival is that a verdict must tell apart: it may
	// be louder in a part of the band.
	besideDB = -12
)

// Agree makes one truth of what is said about the same sound twice: the arrival
// that verdict is about has its sign, whatever the gate said, and verdict says so
// when others arrive beside it, or is undecided when one is too near to tell.
func Agree(list []Arrival, v *polarity.Verdict) {
	own := -1
	for i, a := range list {
		if off := math.Abs(a.DelayMs - v.DelayMs); off < ownMs && (own < 0 || off < math.Abs(list[own].DelayMs-v.DelayMs)) {
			own = i
		}
	}
	level := 0.0
	if own >= 0 {
		level = list[own].LevelDB
	}
	v.Several = false
	for i, a := range list {
		off := math.Abs(a.DelayMs - v.DelayMs)
		switch {
		case i == own:
		case off < crowdedMs && a.LevelDB > level+crowdedDB:
			v.Undecide("another sound arrives within a millisecond of it: mute one of the two")
			list[i].Sign = 0
		case a.LevelDB > level+besideDB:
			v.Several = v.Sign != 0
		}
	}
	if own >= 0 {
		list[own].Sign = v.Sign
	}
}
