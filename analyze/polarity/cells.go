package polarity

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

// Third octaves from 25 Hz to 16 kHz, exact mid-bands 10^(x/10).
const (
	cellCount = 29
	firstCell = 14 // 10^1.4 Hz
	stepU     = math.Ln10 / 10
)

func cellHz(c int) float64 { return midBands[c] }

var midBands = func() (hz [cellCount]float64) {
	for c := range hz {
		hz[c] = math.Pow(10, float64(firstCell+c)/10)
	}
	return hz
}()

// cellOf is the cell that holds a frequency, −1 or cellCount outside.
func cellOf(hz float64) int {
	return int(math.Floor(10*math.Log10(hz) + 0.5 - firstCell))
}

// cells are third octaves of a transfer function.
type cells struct {
	level [cellCount]float64    // mean power |H|², noise taken off; 0 where not trusted
	z     [cellCount]complex128 // mean of H/√level, 1 for a sound that all arrives at the compensated delay
	first int                   // first trusted cell
	last  int                   // last one; −1 when there is none
	delay float64               // seconds, that was turned back
	loud  float64               // level of the third-loudest one
	share [cellCount]float64    // what a cell counts for its level, 0…1
}

// point is one trusted frequency of a transfer function.
type point struct {
	hz     float64
	h      complex128
	weight float64 // its share of the log-frequency axis
	noise  float64 // variance of h by noise
	cell   int     // −1 or cellCount outside of them
}

// points are the trusted ones of s, put into dst.
func points(dst []point, s *response.Spectra) []point {
	dst = dst[:0]
	n := len(s.FrequencyHz)
	for i, hz := range s.FrequencyHz {
		if hz < cellHz(0)/1.12 || hz > cellHz(cellCount-1)*1.12 {
			continue
		}
		h, noise, ok := transfer(s, i)
		if !ok {
			continue
		}
		lo, hi := s.FrequencyHz[max(i-1, 0)], s.FrequencyHz[min(i+1, n-1)]
		if lo <= 0 {
			lo = hz / 2
		}
		dst = append(dst, point{hz, h, math.Log(hi / lo), noise, cellOf(hz)})
	}
	return dst
}

func square(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// transfer is H1 at a point, the variance of its error and whether its coherence
// is more than chance gives once in a thousand.
func transfer(s *response.Spectra, i int) (h complex128, noise float64, ok bool) {
	if !(s.EffectiveAverages[i] > 1 && s.Trusted(i, 1e-3)) {
		return 0, 0, false
	}
	return s.H(i), s.Variance(i), true
}

// gather fills c from the trusted points, turned by delay seconds and, cell by
// cell, by −phase.
func (c *cells) gather(all []point, delay float64, phase *[cellCount]float64) {
	*c = cells{first: cellCount, last: -1, delay: delay}
	var total, power [cellCount]float64
	for i := range all {
		p := &all[i]
		k := p.cell
		if k < 0 || k >= cellCount {
			continue
		}
		total[k] += p.weight
		power[k] += p.weight * max(square(p.h)-p.noise, 0)
		turn := 2 * math.Pi * p.hz * delay
		if phase != nil {
			turn -= between(phase, p.hz)
		}
		c.z[k] += complex(p.weight, 0) * p.h * cmplx.Rect(1, turn)
	}
	for k := range total {
		// Half of the cell at least must be trusted.
		if total[k] < stepU || power[k] <= 0 { // neighbours count twice in weight
			c.z[k] = 0
			continue
		}
		c.level[k] = power[k] / total[k]
		c.z[k] /= complex(total[k]*math.Sqrt(c.level[k]), 0)
		if a := cmplx.Abs(c.z[k]); a > 1 {
			c.z[k] /= complex(a, 0)
		}
		c.first = min(c.first, k)
		c.last = k
	}
	c.settle()
}

// between interpolates a value given at the mid-bands.
func between(v *[cellCount]float64, hz float64) float64 {
	x := 10*math.Log10(hz) - firstCell
	k := min(max(int(math.Floor(x)), 0), cellCount-2)
	t := min(max(x-float64(k), -0.5), 1.5)
	return v[k] + t*(v[k+1]-v[k])
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

// Levels, in power re those of the third-loudest cell: above fullLevel (−20 dB) a
// cell counts in full, below noLevel (−35 dB) not at all. What a filter lets
// through of its stop band is coherent where nothing disturbs it, but it is not
// what is heard.
const (
	fullLevel = 1e-2
	noLevel   = 3.2e-4
)

// settle sets loud and weights once the levels are known.
func (c *cells) settle() {
	var most [3]float64
	for _, v := range c.level {
		for i := range most {
			if v > most[i] {
				v, most[i] = most[i], v
			}
		}
	}
	c.loud = most[2]
	for k, v := range c.level {
		c.share[k] = 0
		if v <= 0 {
			continue
		}
		c.share[k] = min(max(math.Log(v/c.loud/noLevel)/math.Log(fullLevel/noLevel), 0), 1)
	}
}

// weight of a cell: at the lower edge the phase that the magnitude implies is least known.
func (c *cells) weight(k int) float64 {
	switch k {
	case c.first:
		return 0.3 * c.share[k]
	case c.first + 1:
		return 0.6 * c.share[k]
	}
	return c.share[k]
}

// lowest is the lowest cell that counts at least half.
func (c *cells) lowest() int {
	k := c.first
	for k < c.last && c.share[k] < 0.5 {
		k++
	}
	return k
}

// top is the highest cell that is less than 20 dB below the loud ones.
func (c *cells) top() int {
	top := c.last
	for top > c.first && c.level[top] < c.loud*fullLevel {
		top--
	}
	return top
}
