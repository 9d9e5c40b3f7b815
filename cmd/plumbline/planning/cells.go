package planning

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/summation"
	"plumbline/stream/wire"
)

// cellsOf is what the efficiency of a seat is computed from, for those who want
// to follow it while a delay is dragged. Equal neighbours are counted, not
// repeated.
func cellsOf(pair *summation.Pair) wire.Cells {
	var c wire.Cells
	last := -1
	cells := pair.Cells()
	mean := 0.0
	for _, k := range cells {
		mean += power(pair.A[k]) / float64(len(cells))
	}
	for _, k := range cells {
		if k == last {
			c.Count[len(c.Count)-1]++
			continue
		}
		last = k
		cross := pair.A[k] * cmplx.Conj(pair.B[k])
		c.FrequencyHz = append(c.FrequencyHz, pair.FrequencyHz[k])
		c.PhaseDeg = append(c.PhaseDeg, float32(cmplx.Phase(cross)*180/math.Pi))
		c.LevelDB = append(c.LevelDB, float32(20*math.Log10(cmplx.Abs(pair.B[k])/cmplx.Abs(pair.A[k]))))
		c.LevelADB = append(c.LevelADB, float32(10*math.Log10(power(pair.A[k])/mean)))
		c.Count = append(c.Count, 1)
	}
	return c
}
