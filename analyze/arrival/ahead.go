package arrival

import "math"

const (
	// aheadS is how much sound is heard before, and between two looks whether, the
	// channels are swapped, and aheadWithinMs how alike two looks must be.
	aheadS        = 1.2
	aheadWithinMs = 0.2
)

// lookAhead searches the newest sound with the channels' parts exchanged, which
// reaches as far as a search does: two looks that agree are believed.
func (f *Follower) lookAhead() bool {
	w := f.finder
	h := &w.history
	f.jobs[aheadJob].due = f.clock + f.samples(aheadS*(1+0.2*w.cfg.Stagger))
	h.ref, h.mic = h.mic, h.ref
	f.back, _ = w.FindNewest(f.back, 1)
	h.ref, h.mic = h.mic, h.ref
	was := f.isAhead
	var best Arrival
	for i, a := range f.back {
		if i == 0 || a.LevelDB > best.LevelDB {
			best = a
		}
	}
	if best.DelayMs <= 1000*earlyS/2 { // nearer ones are found without
		f.aheadMs, f.isAhead = 0, false
		return was
	}
	f.isAhead = math.Abs(best.DelayMs-f.aheadMs) < aheadWithinMs
	f.aheadMs = best.DelayMs
	if f.isAhead {
		f.ahead = Arrival{DelayMs: -best.DelayMs, DelaySDMs: best.DelaySDMs}
	}
	return f.isAhead || was
}
