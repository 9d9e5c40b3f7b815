package alignment

import (
	"math"
)

// Arrivals is what the arrivals of sound say of B against A: B's delay less A's, its
// standard deviation, and the sign of B times that of A, 0 where one of them is undecided.
type Arrivals struct {
	OffsetMs, SDMs float64
	Sign           int
}

func (a Arrivals) known() bool {
	return a.SDMs > 0 && !math.IsInf(a.SDMs, 1) && !math.IsNaN(a.OffsetMs)
}

// byArrivals is what the arrivals alone would have done: the mean of what they say at
// the seats where they say it, and the polarity that makes them add, or the one that
// gives more where their signs are not known or contradict each other.
func (p *Problem) byArrivals(gainDB float64) (best candidate, sdMs float64, ok bool) {
	var sum, variance, n float64
	same, opposite := false, false
	for i := range p.seats {
		if a := p.seats[i].at; a.known() {
			sum, variance, n = sum+a.OffsetMs, variance+a.SDMs*a.SDMs, n+1
			same, opposite = same || a.Sign > 0, opposite || a.Sign < 0
		}
	}
	if n == 0 || math.Abs(sum/n) > p.cfg.MaxDelayMs {
		return best, 0, false
	}
	best.valueDB = math.Inf(-1)
	scratch := make([]float64, len(p.seats))
	for _, sign := range []int{1, -1} {
		if same != opposite && same != (sign > 0) {
			continue
		}
		x := Setting{DelayMs: -sum / n, Sign: sign, GainDB: gainDB}
		if v := p.value(scratch, x); v > best.valueDB {
			best = candidate{x, v}
		}
	}
	return best, math.Sqrt(variance) / n, true
}
