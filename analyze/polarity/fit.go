package polarity

import (
	"math"
	"math/cmplx"
	"slices"

	"plumbline/analyze/response"
)

const (
	// nats that one third octave in full agreement adds to the log likelihood:
	// what a room does to the phase of neighbouring ones goes together.
	nats = 3
	// topHz is how far up the sign is fitted: higher bands know the delay better
	// but no more about the sign.
	topHz = 14000
)

// fit is the outcome of fitting sign, delay and turns.
type fit struct {
	same  float64 // probability of the same polarity
	delay float64 // seconds, of the best hypothesis
	best  *turn
	edge  edge
	sign  int
	score float64              // mean agreement of the trusted cells with the best hypothesis, −1…1
	turns float64              // probability that the sign turns on the way up
	parts [len(partHz)]float64 // probability of the same polarity in the parts of the band
}

// partHz are frequencies in the middle of the low, the mid and the high part of the band.
var partHz = [...]float64{250, 1000, 5000}

// solve weighs both signs with the delay (of that standard deviation around 0),
// the turns and the edges integrated out.
func (c *cells) solve(turns []turn, edges []edge, sd float64) fit {
	var out fit
	top := min(c.last, cellOf(topHz))
	step := 1 / (8 * cellHz(top))
	steps := int(math.Ceil(2.5 * sd / step))
	var sums [2]float64 // of likelihoods, scaled by e^-peak
	var parts [len(partHz)]float64
	var turned float64
	peak, bestValue := math.Inf(-1), math.Inf(-1)
	weights := 0.0
	for k := c.first; k <= top; k++ {
		weights += c.weight(k)
	}
	// What a reversed driver leaves where the two overlap speaks for a turn there.
	var prior, logPrior [64]float64
	for t := range turns {
		prior[t] = turns[t].prior
		if turns[t].order == 1 && turns[t].hz > 600 && c.dip(turns[t].hz) {
			prior[t] *= 10
		}
		logPrior[t] = math.Log(prior[t])
	}
	var z [cellCount]complex128
	for _, e := range edges {
		for i := -steps; i <= steps; i++ {
			delay := float64(i) * step
			for k := c.first; k <= top; k++ {
				z[k] = c.z[k] * cmplx.Rect(c.weight(k), 2*math.Pi*cellHz(k)*delay-e.below(k, c.first))
			}
			away := delay * delay / (2 * sd * sd)
			for t := range turns {
				m := &turns[t]
				sum := 0.0
				for k := c.first; k <= top; k++ {
					sum += real(z[k])*real(m.m[k]) + imag(z[k])*imag(m.m[k])
				}
				v := nats*math.Abs(sum) - away
				if v > peak {
					scale := math.Exp(peak - v)
					sums[0] *= scale
					sums[1] *= scale
					turned *= scale
					for p := range parts {
						parts[p] *= scale
					}
					peak = v
				}
				if v < peak-25 {
					continue
				}
				plus, minus := prior[t]*math.Exp(nats*sum-away-peak), prior[t]*math.Exp(-nats*sum-away-peak)
				sums[0] += plus
				sums[1] += minus
				odd := m.order == 1 || m.order == -1
				if odd {
					turned += plus + minus
				}
				for p, hz := range partHz {
					if odd && hz > m.hz {
						parts[p] += minus
					} else {
						parts[p] += plus
					}
				}
				if v += logPrior[t]; v > bestValue {
					bestValue = v
					out.best, out.delay, out.edge, out.sign = m, delay, e, 1
					if sum < 0 {
						out.sign = -1
					}
					out.score = math.Abs(sum) / max(weights, 1e-9)
				}
			}
		}
	}
	out.same = sums[0] / (sums[0] + sums[1])
	out.turns = turned / (sums[0] + sums[1])
	for p := range parts {
		out.parts[p] = parts[p] / (sums[0] + sums[1])
	}
	return out
}

// dip says whether the level around hz lies 8 dB or more below both sides.
func (c *cells) dip(hz float64) bool {
	k := cellOf(hz)
	mean := func(lo, hi int) (m float64) {
		n := 0.0
		for i := max(lo, c.first); i <= min(hi, c.last); i++ {
			if c.level[i] > 0 {
				m += math.Log10(c.level[i])
				n++
			}
		}
		return 10 * m / n // NaN where nothing is known
	}
	lowest := math.Inf(1)
	for i := max(k-2, c.first); i <= min(k+2, c.last); i++ {
		if c.level[i] <= 0 {
			return true // so deep that it is not trusted
		}
		lowest = min(lowest, 10*math.Log10(c.level[i]))
	}
	return lowest < min(mean(k-6, k-3), mean(k+3, k+6))-8
}

// octaves that are trusted.
func (c *cells) octaves() float64 {
	n := 0
	for _, v := range c.level {
		if v > 0 {
			n++
		}
	}
	return float64(n) / 3
}

// weight of a cell: at the lower edge the phase that the magnitude implies is least known.
func (c *cells) weight(k int) float64 {
	switch {
	case c.level[k] <= 0:
		return 0
	case k == c.first:
		return 0.3
	case k == c.first+1:
		return 0.6
	}
	return 1
}

// top is the highest cell that is less than 20 dB below the loudest.
func (c *cells) top() int {
	top, least := c.last, slices.Max(c.level[:])/100
	for c.level[top] < least {
		top--
	}
	return top
}

// spread is how far off the compensated delay may be, standard deviation in
// seconds: it was found from the highest frequencies that keep together and are
// loud enough to shape the pulse.
func (c *cells) spread() float64 {
	high := c.first
	for k := c.first; k <= c.last; k++ {
		if cmplx.Abs(c.z[k]) > 0.5 {
			high = k
		}
	}
	return max(2e-5+0.15/cellHz(high), 0.25/cellHz(c.top()))
}

// centre gathers s (or b/s) at the delay that is left in it: none, if the bands
// keep together as they are, otherwise where they do best.
func centre(c *cells, s, b *response.Spectra) {
	together := func() (sum float64, n float64) {
		for k := c.first; k <= c.last; k++ {
			if c.level[k] > 0 {
				sum += cmplx.Abs(c.z[k])
				n++
			}
		}
		return sum, n
	}
	c.gather(s, b, 0, nil)
	sum, n := together()
	if sum >= 0.6*n {
		return
	}
	best, at := sum*1.2, 0.0
	try := func(tau float64) {
		c.gather(s, b, tau, nil)
		if v, _ := together(); v > best {
			best, at = v, tau
		}
	}
	for i := -100; i <= 100; i++ {
		try(float64(i) * 1e-4)
	}
	for i, middle := -8, at; i <= 8; i++ {
		try(middle + float64(i)*12e-6)
	}
	c.gather(s, b, at, nil)
}
