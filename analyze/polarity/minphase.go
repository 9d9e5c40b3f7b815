package polarity

import "math"

// kernel[m] is ∫ ln coth(|x|/2) dx over one cell whose middle lies m−½ cells
// away, m = 1, 2, …; tail[m] is the integral from m cells on.
var kernel, tail = bodeKernel()

func bodeKernel() (kernel, tail [cellCount + 2]float64) {
	f := func(x float64) float64 { return -math.Log(math.Tanh(x / 2)) }
	// Midpoint rule in t with x = t², which takes the logarithm at 0 away.
	integral := func(a, b float64) float64 {
		const n = 400
		sum, lo, hi := 0.0, math.Sqrt(a), math.Sqrt(b)
		for i := range n {
			t := lo + (hi-lo)*(float64(i)+0.5)/n
			sum += f(t*t) * 2 * t
		}
		return sum * (hi - lo) / n
	}
	for m := range kernel {
		if m > 0 {
			kernel[m] = integral(float64(m-1)*stepU, float64(m)*stepU)
		}
		tail[m] = integral(float64(m)*stepU, 40)
	}
	return kernel, tail
}

// edges are what may lie below the trusted band: the slope, in powers of
// frequency, that begins so many cells below it. A high-pass edge that noise
// hides still turns the phase an octave and more above it.
type edge struct{ slope, cells int }

var allEdges = [...]edge{{0, 0}, {2, 0}, {4, 0}, {2, 3}, {4, 3}}

// likelyEdges are those that go with the slope at the edge of the trusted band.
func likelyEdges(slope float64) []edge {
	switch {
	case slope > 2.2:
		return allEdges[2:3]
	case slope > 1:
		return allEdges[1:3]
	}
	return allEdges[:]
}

// minimumPhase is the phase, radians at the mid-bands, of the minimum-phase
// system with c's magnitude (Bode 1945):
//
//	φ(u₀) = 1/π ∫ d ln A/du · ln coth(|u−u₀|/2) du,  u = ln f
//
// Above the trusted band the slope at its edge is taken to go on, below it
// nothing: see below. What lies below cell from is taken to be as loud as that
// cell. The slope at the lower edge is the second result.
func (c *cells) minimumPhase(from int) (phase [cellCount]float64, slope float64) {
	if c.last <= c.first {
		return phase, 0
	}
	var a [cellCount]float64 // ln A, gaps bridged
	previous := c.first
	for k := c.first; k <= c.last; k++ {
		if c.level[k] <= 0 {
			continue
		}
		a[k] = math.Log(c.level[k]) / 2
		for j := previous + 1; j < k; j++ {
			a[j] = a[previous] + (a[k]-a[previous])*float64(j-previous)/float64(k-previous)
		}
		previous = k
	}
	reach := min(3, c.last-c.first)
	slope = (a[c.first+reach] - a[c.first]) / (float64(reach) * stepU)
	above := (a[c.last] - a[c.last-reach]) / (float64(reach) * stepU)
	above = min(0, max(above, -4))
	for k := c.first; k <= c.last; k++ {
		sum := above * tail[c.last-k]
		for j := max(c.first, from); j < c.last; j++ {
			m := j - k + 1 // the step from j to j+1 lies m−½ cells above k
			if m <= 0 {
				m = 1 - m
			}
			sum += (a[j+1] - a[j]) / stepU * kernel[m]
		}
		phase[k] = sum / math.Pi
	}
	for k := range phase {
		if k < c.first {
			phase[k] = phase[c.first]
		} else if k > c.last {
			phase[k] = phase[c.last]
		}
	}
	return phase, slope
}

// below is what an edge adds to the phase of cell k of a band that begins at first.
func (e edge) below(k, first int) float64 {
	if e.slope == 0 {
		return 0
	}
	return float64(e.slope) * tail[min(max(k-first+e.cells, 0), len(tail)-1)] / math.Pi
}
