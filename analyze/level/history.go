package level

import "math"

// The histogram of LAF: a tenth of a decibel a bin, bins about whole tenths.
const (
	lowestDB, highestDB = -220.0, 220.0
	binsPerDB           = 10
	longestS            = 3600 // sliding levels
)

// history keeps the last hour second by second, and how often LAF had which value.
type history struct {
	perSecond   int // samples
	untilSecond int
	now         float64           // energy of the second that runs
	seconds     [longestS]float64 // energies; NaN: not measured
	stored      int               // seconds since the start
	counts      [(highestDB - lowestDB) * binsPerDB]uint32
	levels      uint64
}

func (h *history) reset() { *h = history{perSecond: h.perSecond, untilSecond: h.perSecond} }

// energy adds squares of samples that all lie within one second.
func (h *history) energy(sum float64, samples int) {
	h.now += sum
	if h.untilSecond -= samples; h.untilSecond == 0 {
		h.untilSecond = h.perSecond
		h.seconds[h.stored%longestS] = h.now
		h.stored++
		h.now = 0
	}
}

// skip is time in which nothing was measured, to the nearest second. The second
// that ran is given up for it.
func (h *history) skip(samples uint64) {
	n := (uint64(h.perSecond-h.untilSecond) + samples + uint64(h.perSecond)/2) / uint64(h.perSecond)
	for range min(n, longestS) {
		h.seconds[h.stored%longestS] = math.NaN()
		h.stored++
	}
	h.untilSecond, h.now = h.perSecond, 0
}

// regain makes all whole seconds and levels so many decibels louder, the levels to a
// tenth of one.
func (h *history) regain(db float64) {
	power := math.Pow(10, db/10)
	for i := range min(h.stored, longestS) {
		h.seconds[i] *= power
	}
	bins := len(h.counts)
	by := max(-bins, min(bins, int(math.Round(db*binsPerDB))))
	old := h.counts
	clear(h.counts[:])
	for i, n := range old {
		h.counts[min(max(i+by, 0), bins-1)] += n
	}
}

// last is the energy of the last whole seconds, at most that many, and in how
// many of them was measured.
func (h *history) last(seconds int) (energy float64, have int) {
	for i := 1; i <= min(seconds, h.stored, longestS); i++ {
		if e := h.seconds[(h.stored-i)%longestS]; !math.IsNaN(e) {
			energy += e
			have++
		}
	}
	return energy, have
}

func (h *history) level(db float64) {
	bin := int(math.Round((max(db, lowestDB) - lowestDB) * binsPerDB))
	h.counts[min(max(bin, 0), len(h.counts)-1)]++
	h.levels++
}

// exceeded is the level exceeded in that part of the time, to a tenth of a decibel.
func (h *history) exceeded(part float64) float64 {
	if h.levels == 0 {
		return math.NaN()
	}
	above, want := 0.0, part*float64(h.levels)
	for bin := len(h.counts) - 1; bin > 0; bin-- {
		n := float64(h.counts[bin])
		if above+n >= want && n > 0 {
			// Within the bin as if its values were spread evenly.
			return lowestDB + (float64(bin)+0.5-(want-above)/n)/binsPerDB
		}
		above += n
	}
	return math.Inf(-1)
}
