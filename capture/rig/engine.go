package rig

import (
	"math"

	"plumbline/capture/signal"
)

// fadeS is how long old and new scene overlap.
const fadeS = 0.03

// compiled is a scene ready to be played. It is not changed any more.
type compiled struct {
	scene     Scene
	acoustics *acoustics
	programme *programme
	level     float64 // linear, of programme
	noise     float64 // linear, of each microphone's
	filters   []filter
	products  [][2]filter // of each microphone, of orders 2 and 3; nil: no loudspeaker distorts
}

// engine plays compiled scenes. It works in blocks of its own, so that the
// samples do not depend on how they are asked for. Not for two goroutines.
type engine struct {
	block    int
	history  *history
	orders   *orders // nil: no loudspeaker distorts
	now      *compiled
	next     *compiled // while fading
	fade     []float64 // weight of next, 0…1
	fadeAt   int
	noise    []*signal.Generator // one a microphone
	delayed  []float64           // programme, half samples late
	x, y, z  []float64
	out      []float32 // a block of interleaved frames
	channels int
}

// blockFrames is the length of a block: about 11 ms at any rate.
func blockFrames(rateHz int) int {
	n := 512
	for rateHz > 50000 {
		rateHz /= 2
		n *= 2
	}
	return n
}

func newEngine(s Scene) (*engine, error) {
	b := blockFrames(s.RateHz)
	partitions := int(longestS*float64(s.RateHz))/b + 2
	e := &engine{
		block:    b,
		history:  newHistory(b, partitions),
		fade:     make([]float64, (int(fadeS*float64(s.RateHz))/b+1)*b),
		delayed:  make([]float64, b+half),
		x:        make([]float64, b),
		y:        make([]float64, b),
		z:        make([]float64, b),
		channels: 1 + len(s.Microphones),
	}
	e.out = make([]float32, b*e.channels)
	if s.distorts() {
		e.orders = newOrders(b, partitions)
	}
	for i := range e.fade {
		e.fade[i] = (1 - math.Cos(math.Pi*(float64(i)+0.5)/float64(len(e.fade)))) / 2
	}
	for m := range s.Microphones {
		g, err := newNoise(signal.Pink, s.Seed^(uint64(m+1)<<40), s.RateHz)
		if err != nil {
			return nil, err
		}
		e.noise = append(e.noise, g)
	}
	return e, nil
}

// compile makes a scene ready. It takes from the scene before, if there is one,
// what has not changed: of a microphone that is dragged only its own filter is
// made anew.
func compile(s Scene, h *history, o *orders, before *compiled) (*compiled, error) {
	c := &compiled{
		scene: s,
		level: math.Pow(10, s.Programme.LevelDBFS/20),
		noise: math.Pow(10, (s.Noise.LevelDBFS-unitDBFS)/20),
	}
	if before != nil && before.programme.same(s.Programme, s.Seed) {
		c.programme = before.programme
	} else {
		var err error
		if c.programme, err = newProgramme(s.Programme, s.Seed, s.RateHz); err != nil {
			return nil, err
		}
	}
	unmoved := func(int) bool { return false }
	if before != nil && sameAcoustics(before.scene, s) {
		c.acoustics = before.acoustics
		unmoved = func(m int) bool { return before.scene.Microphones[m] == s.Microphones[m] }
	} else {
		c.acoustics = newAcoustics(s)
	}
	if s.Noise.LevelDBFS <= NoNoise {
		c.noise = 0
	}
	for m, mic := range s.Microphones {
		if unmoved(m) {
			c.filters = append(c.filters, before.filters[m])
		} else {
			c.filters = append(c.filters, h.partition(c.acoustics.impulse(mic.PositionM)))
		}
	}
	if o == nil {
		return c, nil
	}
	var distorting [2]*acoustics
	for k := range distorting {
		if of, ok := s.products(k + 2); ok {
			distorting[k] = newAcoustics(of)
		}
	}
	for _, mic := range s.Microphones {
		c.products = append(c.products, o.partition(distorting, mic.PositionM))
	}
	return c, nil
}

// play makes the next block of interleaved frames, valid until the next call.
// Programme first, then the microphones.
func (e *engine) play() ([]float32, error) {
	var weight []float64
	if e.next != nil {
		weight = e.fade[e.fadeAt : e.fadeAt+e.block]
		e.fadeAt += e.block
	}
	if err := e.programme(weight); err != nil {
		return nil, err
	}
	e.history.push(e.x)
	if e.orders != nil {
		e.orders.push(e.x)
	}
	copy(e.delayed, e.delayed[e.block:])
	copy(e.delayed[half:], e.x)
	for i, v := range e.delayed[:e.block] {
		e.out[i*e.channels] = float32(v)
	}
	for m, noise := range e.noise {
		e.heard(e.y, e.now, m)
		if weight != nil {
			e.heard(e.z, e.next, m)
			for i, w := range weight {
				e.y[i] += w * (e.z[i] - e.y[i])
			}
		}
		noise.Fill(e.z)
		for i, v := range e.z {
			level := e.now.noise
			if weight != nil {
				level += weight[i] * (e.next.noise - level)
			}
			e.out[i*e.channels+m+1] = float32(e.y[i] + level*v)
		}
	}
	if e.next != nil && e.fadeAt == len(e.fade) {
		if e.now.programme != e.next.programme {
			e.now.programme.close()
		}
		e.now, e.next, e.fadeAt = e.next, nil, 0
	}
	return e.out, nil
}

// heard writes what a microphone hears of a scene.
func (e *engine) heard(dst []float64, c *compiled, mic int) {
	e.history.convolve(dst, c.filters[mic])
	if e.orders != nil {
		e.orders.add(dst, c.products[mic])
	}
}

// programme fills x, with the weight of the next scene's while one fades in.
func (e *engine) programme(weight []float64) error {
	if err := e.now.programme.fill(e.x); err != nil {
		return err
	}
	if weight == nil {
		for i := range e.x {
			e.x[i] *= e.now.level
		}
		return nil
	}
	other := e.x
	if e.next.programme != e.now.programme {
		other = e.z
		if err := e.next.programme.fill(other); err != nil {
			return err
		}
	}
	for i, w := range weight {
		e.x[i] = (1-w)*e.now.level*e.x[i] + w*e.next.level*other[i]
	}
	return nil
}

// change begins to fade to another scene; none may be fading.
func (e *engine) change(c *compiled) { e.next = c }

func (e *engine) close() {
	e.now.programme.close()
	if e.next != nil {
		e.next.programme.close()
	}
}
