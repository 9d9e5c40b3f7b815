package rig

import "math"

// shaperHalf is the half width of a shaper's filters, in samples at the scene's rate.
const shaperHalf = 16

// shaperDelay is how much later a shaper's output is than its input, samples.
const shaperDelay = 2 * shaperHalf

// nearestDistortingM is the nearest that a microphone may be: so far sound goes while a
// shaper works, at the lowest rate and speed there are.
const nearestDistortingM = 0.3

// shaper raises a signal to a power without folding: at twice the rate, where what a
// square or a cube has above half the scene's rate is taken out again. It must not
// allocate. Not for two goroutines.
type shaper struct {
	order   int
	taps    []float64 // low-pass at half of twice the rate, ends in silence
	in      []float64 // the newest inputs, at the scene's rate
	doubled []float64 // and powers, at twice the rate
}

func newShaper(order, block int) *shaper {
	s := &shaper{
		order:   order,
		taps:    make([]float64, 4*shaperHalf+1),
		in:      make([]float64, block+2*shaperHalf),
		doubled: make([]float64, 2*block+4*shaperHalf),
	}
	for i := range s.taps {
		s.taps[i] = kernel(float64(i-2*shaperHalf)/2, shaperHalf)
	}
	return s
}

// fill writes the power of x, shaperDelay late; both have one block.
func (s *shaper) fill(dst, x []float64) {
	copy(s.in, s.in[len(x):])
	copy(s.in[2*shaperHalf:], x)
	copy(s.doubled, s.doubled[2*len(x):])
	newest := s.doubled[4*shaperHalf:]
	odd := s.taps[1:] // every other one: what lies between two samples
	for i := range x {
		sum := 0.0
		for k := range 2 * shaperHalf {
			sum += odd[2*k] * s.in[i+k+1]
		}
		newest[2*i] = s.raised(s.in[i+shaperHalf])
		newest[2*i+1] = s.raised(sum)
	}
	for i := range dst {
		sum := 0.0
		for k, t := range s.taps {
			sum += t * s.doubled[2*i+k]
		}
		dst[i] = sum / 2
	}
}

func (s *shaper) raised(v float64) float64 {
	if s.order == 2 {
		return v * v
	}
	return v * v * v
}

// products is the scene of what loudspeakers add to their sound of an order, 2 or 3, to
// be played the power of the programme: a sine wave of full scale, A = 1, has a second
// harmonic of a₂A²/2 and a third of a₃A³/4. ok is false if none of them adds any.
func (s Scene) products(order int) (of Scene, ok bool) {
	of = s.clone()
	for i := range of.Loudspeakers {
		l := &of.Loudspeakers[i]
		db, harmonic := l.SecondOrderDB, 2.0
		if order == 3 {
			db, harmonic = l.ThirdOrderDB, 4
		}
		if db == 0 {
			l.Mute = true
		}
		l.GainDB += db + 20*math.Log10(harmonic)
		ok = ok || !l.Mute
	}
	return of, ok
}

// distorts says whether a loudspeaker of the scene, muted or not, has any.
func (s Scene) distorts() bool {
	for _, l := range s.Loudspeakers {
		if l.SecondOrderDB != 0 || l.ThirdOrderDB != 0 {
			return true
		}
	}
	return false
}

// orders are the squares and cubes of what an engine plays.
type orders struct {
	shapers   [2]*shaper
	histories [2]*history
	power     []float64
}

func newOrders(block, partitions int) *orders {
	o := &orders{power: make([]float64, block)}
	for k := range o.shapers {
		o.shapers[k], o.histories[k] = newShaper(k+2, block), newHistory(block, partitions)
	}
	return o
}

// push takes the next block of programme.
func (o *orders) push(x []float64) {
	for k, s := range o.shapers {
		s.fill(o.power, x)
		o.histories[k].push(o.power)
	}
}

// add adds the products of a microphone to what it hears.
func (o *orders) add(y []float64, filters [2]filter) {
	for k, f := range filters {
		if f == nil {
			continue
		}
		o.histories[k].convolve(o.power, f)
		for i, v := range o.power {
			y[i] += v
		}
	}
}

// partition cuts the responses of products to one microphone, earlier by what a shaper is
// late.
func (o *orders) partition(of [2]*acoustics, place Position) (filters [2]filter) {
	for k, a := range of {
		if a != nil {
			filters[k] = o.histories[k].partition(a.impulse(place)[shaperDelay:])
		}
	}
	return filters
}
