package planning

import (
	"math"

	"plumbline/analyze/alignment"
	"plumbline/stream/wire"
)

// cellsOf is what the efficiency of a seat is computed from, for those who want
// to follow it while a delay is dragged. Equal neighbours are counted, not
// repeated.
func cellsOf(cells []alignment.Cell) wire.Cells {
	var c wire.Cells
	mean, n, noisy := 0.0, 0.0, false
	for _, x := range cells {
		mean += x.PowerA * float64(x.Count)
		n += float64(x.Count)
		noisy = noisy || x.Ripple < 1-1e-9 || x.LessDB != 0
	}
	for _, x := range cells {
		c.FrequencyHz = append(c.FrequencyHz, x.FrequencyHz)
		c.PhaseDeg = append(c.PhaseDeg, float32(x.PhaseRad*180/math.Pi))
		c.LevelDB = append(c.LevelDB, float32(20*math.Log10(x.Ratio)))
		c.LevelADB = append(c.LevelADB, float32(10*math.Log10(x.PowerA*n/mean)))
		c.Count = append(c.Count, x.Count)
		if noisy {
			c.Ripple = append(c.Ripple, float32(x.Ripple))
			c.LessDB = append(c.LessDB, float32(x.LessDB))
			c.PowerDB = append(c.PowerDB, float32(10*math.Log10(x.PowerB/x.PowerA)))
			c.Common = append(c.Common, float32(x.Common))
		}
	}
	return c
}
