package arrival

import "math"

// What a box does to its sound is no noise: a crossover, and the edges, make lobes
// of either sign of one pulse, and where the pulse begins is as uncertain as one lobe
// is like the next. The strongest arrival has short windows of its own, whose phase
// tells of that; the others have this.
const (
	// lobeUnlike is the share of a lobe, re the arrival's own, from which on a box has
	// been at work, and lobeSlope by how much, grid samples, the peak that it shifts
	// then lies beside what the phase tells (one standard deviation, measured with
	// random boxes).
	lobeUnlike, lobeSlope = 0.1, 0.09
)

// lobe is the largest lobe within apartMs of p that its pulse does not explain, re
// p: its magnitude, and how far off it is, grid samples. It reads w.r.
func (w *Workspace) lobe(p peak) (share, off float64) {
	mask := len(w.r) - 1
	middle := int(math.Round(p.at))
	start := len(w.r) - (w.early+w.latest+w.ramp)/w.decimate
	own := 0.0
	for i := middle - 1; i <= middle+1; i++ {
		if v := w.r[(start+i)&mask]; math.Abs(v) > math.Abs(own) {
			own = v
		}
	}
	if own == 0 {
		return 0, 0
	}
	reach := int(apartMs / 1000 * w.grid)
	for i := middle - reach; i <= middle+reach; i++ {
		d := math.Abs(float64(i) - p.at)
		if k := int(math.Round(d)); k > 1 {
			if v := math.Abs(w.r[(start+i)&mask]/own - w.p[k]); v > share {
				share, off = v, d
			}
		}
	}
	return share, off
}

// boxSD is the standard deviation, samples, of where p is heard that its box makes:
// half the way to a lobe as large, and less the smaller that is.
func (w *Workspace) boxSD(p peak) float64 {
	share, off := w.lobe(p)
	like := min(1, share*share)
	return math.Hypot(lobeSlope*min(1, share/lobeUnlike), off/2*like*like) * float64(w.decimate)
}
