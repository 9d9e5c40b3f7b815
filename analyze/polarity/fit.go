package polarity

import (
	"math"
	"math/cmplx"
)

const (
	// leastNats is what one third octave in full agreement adds to the log likelihood:
	// what a room does to the phase of neighbouring ones goes together. Where all
	// keep to a hypothesis better than those of a room do it is more, up to mostNats.
	leastNats, mostNats = 3, 6
	// topHz is how far up the sign is fitted: higher bands know the delay better
	// but no more about the sign.
	topHz = 14000
)

// task is what to fit to the cells.
type task struct {
	turns []turn
	ways  []way
	sd    float64 // standard deviation of the delay around 0, seconds
	floor int     // the lowest cell that may be the loudspeaker's own
	rise  int     // how many cells above floor may belong to another one as well
	nats  float64 // what a third octave in full agreement adds to the log likelihood
}

// fit is the outcome of fitting sign, delay and turns.
type fit struct {
	same  float64 // probability of the same polarity
	best  *turn
	turns float64               // probability that the sign turns on the way up
	parts [len(partHz)]float64  // probability of the same polarity in the parts of the band, as heard there
	score float64               // mean agreement of the cells in the fit with the best hypothesis, −1…1
	agree [cellCount]float64    // weight times agreement of each cell with it, −1…1
	kept  [cellCount]complex128 // the same with what is at a right angle to it
	heavy [cellCount]float64    // weight of each cell
	sd    float64               // of the delay, seconds
	floor int                   // cell that the first part begins at
	alone bool                  // one loudspeaker was judged by itself
	from  int                   // the lowest cell that the best hypothesis takes for the loudspeaker's
	top   int                   // the highest cell in the fit
}

// The band is judged in parts of partCells third octaves, from floorHz on.
const (
	partCells = 2
	partCount = 10
)

// partHz are the frequencies in their middle.
var partHz = func() (hz [partCount]float64) {
	for p := range hz {
		hz[p] = cellHz(cellOf(floorHz)+partCells*p) * math.Pow(10, 0.05*(partCells-1))
	}
	return hz
}()

// twoWayHz is where the crossover of a loudspeaker that leaves the lows to another
// one lies at least (common practice, no source): what turns the sign below that is
// the other one.
const twoWayHz = 600

// elsewhere is the prior probability that a cell at the lower end of the fit, and
// all below it, is played by another loudspeaker.
const elsewhere = 0.08

// solve weighs both signs with everything else integrated out: the delay, the
// turns, the ways that the phase goes with the magnitude, and from which cell on
// the loudspeaker is alone. A cell that is not its own may have any phase: the
// likelihood of one that is, κ its weight, has the von Mises density re that.
func (c *cells) solve(j task) fit {
	var out fit
	top := min(c.last, cellOf(topHz))
	floor := max(c.first, j.floor)
	step := 1 / (8 * cellHz(top))
	steps := int(math.Ceil(2.5 * j.sd / step))
	out.top, out.floor, out.alone = top, cellOf(floorHz), j.floor > 0
	var unity [cellCount]float64 // ln I₀(κ), what a cell of any phase has
	for k := floor; k <= top; k++ {
		w := c.weight(k)
		out.heavy[k] = w
		unity[k] = lnBessel(j.nats * w * cmplx.Abs(c.z[k]))
	}
	// What a reversed driver leaves where the two overlap speaks for a turn there.
	var prior, logPrior [64]float64
	for t := range j.turns {
		prior[t] = j.turns[t].prior
		if j.turns[t].order == 1 && j.turns[t].hz > 600 && c.dip(j.turns[t].hz) {
			prior[t] *= 10
		}
		logPrior[t] = math.Log(prior[t])
	}
	nats := j.nats
	rise := min(j.rise, max(top-floor, 0))
	var sums [2]float64 // of likelihoods, scaled by e^-peak
	var parts [partCount]float64
	var turned float64
	peak, bestValue := math.Inf(-1), math.Inf(-1)
	bestSign, bestDelay, bestWay := 1.0, 0.0, 0
	var re, im [cellCount]float64
	for wi := range j.ways {
		for i := -steps; i <= steps; i++ {
			delay := float64(i) * step
			for k := floor; k <= top; k++ {
				z := c.z[k] * cmplx.Rect(out.heavy[k], 2*math.Pi*cellHz(k)*delay-j.ways[wi].phase[k])
				re[k], im[k] = real(z), imag(z)
			}
			common := j.ways[wi].logPrior - delay*delay/(2*j.sd*j.sd)
			for t := range j.turns {
				m := &j.turns[t]
				odd := m.order == 1
				low := odd && m.hz < twoWayHz
				if low && j.ways[wi].topBox {
					continue
				}
				sum, gone := 0.0, 0.0
				for k := floor + rise; k <= top && k < cellCount; k++ {
					sum += re[k]*m.re[k] + im[k]*m.im[k]
				}
				for k := floor; k < floor+rise; k++ {
					gone += unity[k]
				}
				// From all but the rise being the loudspeaker's own to all of it.
				for own := floor + rise; own >= floor; own-- {
					if own < floor+rise {
						sum += re[own]*m.re[own] + im[own]*m.im[own]
						gone -= unity[own]
					}
					if low && own > floor {
						continue
					}
					base := common + gone
					if own > floor {
						base += logElsewhere
					}
					v := nats*math.Abs(sum) + base
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
					if w := v + logPrior[t]; w > bestValue {
						bestValue = w
						out.best, out.from, bestDelay, bestWay, bestSign = m, own, delay, wi, 1
						if sum < 0 {
							bestSign = -1
						}
					}
					if v < peak-20 {
						continue
					}
					more := prior[t] * math.Exp(v-peak)
					less := more * math.Exp(-2*nats*math.Abs(sum))
					plus, minus := more, less
					if sum < 0 {
						plus, minus = less, more
					}
					sums[0] += plus
					sums[1] += minus
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
				}
			}
		}
	}
	total := sums[0] + sums[1]
	out.same, out.turns = sums[0]/total, turned/total
	for p := range parts {
		out.parts[p] = parts[p] / total
	}
	weights, agreed := 0.0, 0.0
	for k := floor; k <= top; k++ {
		z := c.z[k] * cmplx.Rect(bestSign, 2*math.Pi*cellHz(k)*bestDelay-j.ways[bestWay].phase[k])
		out.kept[k] = complex(out.heavy[k], 0) * z * complex(out.best.re[k], -out.best.im[k])
		out.agree[k] = real(out.kept[k])
		if k >= out.from {
			weights += out.heavy[k]
			agreed += out.agree[k]
		}
	}
	out.sd = j.sd
	out.score = agreed / max(weights, 1e-9)
	return out
}

var logElsewhere = math.Log(elsewhere)

// judge is solve, and again with as much trust in the phase as the first fit has
// earned.
func (c *cells) judge(j task) fit {
	j.nats = leastNats
	f := c.solve(j)
	if p, _ := f.overall(); p >= sure {
		return f
	}
	if earned := earnedNats / max(1-f.score, 1e-3); earned > leastNats {
		j.nats = min(earned, mostNats)
		f = c.solve(j)
	}
	return f
}

// earnedNats over what is missing to full agreement is the concentration of the
// phases: κ = 1/(2(1−A)) for a mean agreement A near 1 (Mardia and Jupp, Directional
// Statistics, 2000, eq. 5.3.9), less because neighbours go together.
const earnedNats = 0.3

// lnBessel is ln I₀(x) (Abramowitz and Stegun, Handbook of Mathematical Functions,
// 1964, 9.8.1 and 9.7.1).
func lnBessel(x float64) float64 {
	if x > 3.75 {
		return x - math.Log(2*math.Pi*x)/2 + math.Log(1+1/(8*x)+9/(128*x*x))
	}
	t := x / 3.75
	t *= t
	return math.Log(1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
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
