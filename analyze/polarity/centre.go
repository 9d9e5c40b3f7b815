package polarity

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

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

// late is how much later, in seconds, what is above highFromHz arrives than where
// the cells are turned to. Speech and whatever else has little there is found where
// most of it is, and a crossover keeps that back.
func (c *cells) late() float64 {
	sum := func(delay float64) float64 {
		var z complex128
		for k := max(c.first, cellOf(highFromHz)); k <= c.last; k++ {
			z += c.z[k] * cmplx.Rect(c.share[k], 2*math.Pi*cellHz(k)*delay)
		}
		return cmplx.Abs(z)
	}
	const step, steps = 1e-5, 30
	best, at := sum(0)/0.8, 0.0
	for i := -steps; i <= steps; i++ {
		if v := sum(float64(i) * step); v > best {
			best, at = v, float64(i)*step
		}
	}
	return at
}

const highFromHz = 1600

// kept is the mean coherence of the cells within themselves, 0…1, above which
// the compensated delay is taken as right: those of a room have 0.9, and a delay that
// is off by a millisecond leaves 0.6.
const kept = 0.75

// centre gathers s at the delay that is left in it: none, if the bands
// keep together as they are, otherwise where they do best.
func centre(c *cells, s *response.Spectra) {
	together := func() (sum float64, n float64) {
		for k := c.first; k <= c.last; k++ {
			if c.level[k] > 0 {
				sum += cmplx.Abs(c.z[k])
				n++
			}
		}
		return sum, n
	}
	c.gather(s, 0, nil)
	sum, n := together()
	if sum >= kept*n {
		return
	}
	best, at := sum*1.2, 0.0
	try := func(tau float64) {
		c.gather(s, tau, nil)
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
	c.gather(s, at, nil)
}
