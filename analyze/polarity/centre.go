package polarity

import (
	"math"
	"math/cmplx"
	"sync"
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

// centre gathers the points at the delay that is left in them: none, if the bands
// keep together as they are, otherwise where they do best.
func (r *scratch) centre(c *cells) {
	c.gather(r.points, 0, nil)
	sum, n := 0.0, 0.0
	for k := c.first; k <= c.last; k++ {
		if c.level[k] > 0 {
			sum += cmplx.Abs(c.z[k])
			n++
		}
	}
	if sum >= kept*n {
		return
	}
	r.norm(c)
	best, at := sum*1.2, 0.0
	try := func(middle, step float64, steps int) {
		r.turn(middle-float64(steps)*step, step)
		for i := -steps; i <= steps; i++ {
			if v := r.together(); v > best {
				best, at = v, middle+float64(i)*step
			}
		}
	}
	try(0, 1e-4, 100)
	try(at, 12e-6, 8)
	c.gather(r.points, at, nil)
}

// scratch is what one judgement works with. Those of a microphone follow each other and
// are as long, so that none is allocated once one runs.
type scratch struct {
	points []point
	turned []turning
	scale  [cellCount]float64 // of the sum of a cell's points, to its z; 0 where not trusted
}

// turning is a point at a delay, and what takes it to the next one.
type turning struct {
	z, step complex128
	cell    int
}

var scratches = sync.Pool{New: func() any { return new(scratch) }}

// norm takes from c, gathered at whatever delay, what no delay changes.
func (r *scratch) norm(c *cells) {
	var total [cellCount]float64
	for i := range r.points {
		if k := r.points[i].cell; k >= 0 && k < cellCount {
			total[k] += r.points[i].weight
		}
	}
	for k := range r.scale {
		r.scale[k] = 0
		if c.level[k] > 0 {
			r.scale[k] = 1 / (total[k] * math.Sqrt(c.level[k]))
		}
	}
}

// turn puts the points at a delay, to be stepped from there.
func (r *scratch) turn(delay, step float64) {
	r.turned = r.turned[:0]
	for i := range r.points {
		p := &r.points[i]
		if p.cell < 0 || p.cell >= cellCount || r.scale[p.cell] == 0 {
			continue
		}
		z := complex(p.weight*r.scale[p.cell], 0) * p.h * cmplx.Rect(1, 2*math.Pi*p.hz*delay)
		r.turned = append(r.turned, turning{z, cmplx.Rect(1, 2*math.Pi*p.hz*step), p.cell})
	}
}

// together is how much the cells keep together, in cells, and goes on to the next delay.
// A few hundred products leave an error of some 1e-14.
func (r *scratch) together() (sum float64) {
	var z [cellCount]complex128
	for i := range r.turned {
		t := &r.turned[i]
		z[t.cell] += t.z
		t.z *= t.step
	}
	for k := range z {
		sum += min(cmplx.Abs(z[k]), 1)
	}
	return sum
}
