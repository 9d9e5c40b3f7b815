package polarity

import "math"

// way is how the phase of a loudspeaker may go with its magnitude, as what it adds
// to the phase that the cells have been turned by.
type way struct {
	phase    [cellCount]float64
	prior    float64
	logPrior float64
	topBox   bool // another loudspeaker plays the lows
}

// ways are all of them. Two that differ by little are one.
type ways struct {
	list [16]way
	n    int
}

// alikeRad is by how much the phases of two ways may differ to be one.
const alikeRad = 0.12

func (w *ways) add(c *cells, floor int, prior float64, phase func(k int) float64) {
	next := &w.list[w.n]
	for k := range next.phase {
		next.phase[k] = phase(k)
	}
	for i := range w.list[:w.n] {
		off := 0.0
		for k := max(floor, c.first); k <= c.last; k++ {
			off = max(off, math.Abs(w.list[i].phase[k]-next.phase[k]))
		}
		if off < alikeRad {
			w.list[i].prior += prior
			w.list[i].logPrior = math.Log(w.list[i].prior)
			return
		}
	}
	next.prior, next.logPrior, next.topBox = prior, math.Log(prior), false
	w.n++
}

// corner is a high-pass edge that a loudspeaker may have below the floor, so many
// cells below it, where another one plays.
type corner struct {
	slope, cells int
	prior        float64
}

var corners = [...]corner{{0, 0, 0.06}, {2, 2, 0.06}, {4, 2, 0.06}, {7, 2, 0.06}, {4, 5, 0.06}, {7, 5, 0.06}}

// wholly fills w for a loudspeaker that may be alone from cell floor up only; c
// was turned by the phase base, which goes with its magnitude as it is.
//
// Natural edges and equalisers are minimum-phase, whether all that is trusted is
// the loudspeaker's own (then an edge may lie below) or what lies below the floor
// is another's (then its own edge lies there). A filter whose impulse response is
// symmetric does not turn the phase: all filters, or the one that ends the band at
// the bottom.
func (w *ways) fill(c *cells, floor int, base *[cellCount]float64, slope float64) {
	w.n = 0
	likely := likelyEdges(slope)
	share := 0.5
	if c.first >= floor {
		share = 0.86
	}
	for _, e := range likely {
		w.add(c, floor, share/float64(len(likely)), func(k int) float64 { return e.below(k, c.first) })
	}
	if c.first < floor {
		own, _ := c.minimumPhase(floor)
		for _, e := range corners {
			edge := edge{e.slope, e.cells}
			n := w.n
			w.add(c, floor, e.prior, func(k int) float64 { return own[k] - base[k] + edge.below(k, floor) })
			if w.n > n {
				w.list[n].topBox = true
			}
		}
	}
	w.add(c, floor, 0.07, func(k int) float64 { return -base[k] })
	high, _ := c.minimumPhase(cellOf(1000))
	w.add(c, floor, 0.07, func(k int) float64 { return high[k] - base[k] })
}
