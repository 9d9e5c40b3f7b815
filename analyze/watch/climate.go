package watch

import (
	"math"

	"plumbline/analyze/fft"
)

// climate follows the temperature of the air through the stretch of all delays:
// c ∝ √T, so that a delay τ changes by −τ·ΔT/(2T) (ISO 9613-1). Delays that a
// processor adds do not stretch; with them the temperature reads too small.
type climate struct {
	b       *Baseline
	kelvin  float64
	change  float64 // K since the baseline, followed
	built   float64 // K for which the responses in force were made
	spread2 float64 // variance of change, K²

	// What is in force, as impulse responses, and the change at which they were heard.
	parts, rest []stretchable
	taken       float64

	slope []complex128 // of the whole response, per K, at built
	plan  *fft.Real
	warm  []float64
	cold  []float64
}

// stretchable is an impulse response of which so much of the delay, in samples, is a
// processor's and does not stretch.
type stretchable struct {
	h          []float64
	electrical float64
}

const (
	// wander is how far the air's temperature wanders in a minute, K.
	wander = 0.3
	// fastest is the largest change that is followed in a step, K.
	fastest = 0.01
	// longPauseS is a pause after which the air may be another.
	longPauseS = 60
	// rebuild is by how much the temperature moves before the responses are made
	// anew: 0.1 s late, a sound moves by 3 µs.
	rebuild = 0.02
)

func (c *climate) init(b *Baseline) {
	*c = climate{
		b: b, kelvin: b.cfg.TemperatureC + 273.15,
		plan:  fft.NewReal(b.n),
		warm:  make([]float64, b.n),
		cold:  make([]float64, b.n),
		slope: make([]complex128, b.n/2+1),
	}
	c.put(b.inForce())
}

// renew puts what was heard just now in force, in the place of the baseline.
func (c *climate) renew(whole []complex128, parts [][]complex128) {
	rest := append([]complex128(nil), whole...)
	was := c.parts
	c.parts = nil
	for i, p := range parts {
		c.parts = append(c.parts, stretchable{electrical: was[i].electrical})
		c.parts[i].h = c.plan.Inverse(make([]float64, c.b.n), p)
		for k, v := range p {
			rest[k] -= v
		}
	}
	c.rest = []stretchable{{c.plan.Inverse(make([]float64, c.b.n), rest), c.rest[0].electrical}}
	c.taken, c.built = c.change, c.change
	c.tilt()
}

// responses are the whole and the parts in force, at the temperature followed.
func (c *climate) responses() (whole []complex128, parts [][]complex128) {
	c.built = c.change
	c.tilt()
	return c.at(c.change)
}

// at is what is in force in air so much warmer than the baseline's.
func (c *climate) at(change float64) (whole []complex128, parts [][]complex128) {
	whole = c.spectrum(nil, c.rest, change)
	for i := range c.parts {
		p := c.spectrum(nil, c.parts[i:i+1], change)
		parts = append(parts, p)
		for k, v := range p {
			whole[k] += v
		}
	}
	return whole, parts
}

// baseline is the baseline's response in the air that is followed, and its parts.
func (c *climate) baseline() (whole []complex128, parts [][]complex128) {
	was := *c
	was.put(c.b.inForce())
	return was.at(c.change)
}

func (b *Baseline) inForce() *inForce {
	f := &inForce{}
	all := b.parts[0].electricalS // what is nobody's is delayed like all are, if they are alike
	for _, p := range b.parts {
		f.parts = append(f.parts, stretchable{p.h, p.electricalS * b.cfg.SampleRateHz})
		if p.electricalS != all {
			all = 0
		}
	}
	f.rest = []stretchable{{b.rest, all * b.cfg.SampleRateHz}}
	return f
}

// inForce is what can be put in force again.
func (c *climate) inForce() *inForce { return &inForce{c.parts, c.rest, c.taken} }

func (c *climate) put(f *inForce) { c.parts, c.rest, c.taken = f.parts, f.rest, f.taken }

// of is the response of what was in force, in the air that is followed.
func (c *climate) of(f *inForce) []complex128 {
	was := *c
	was.put(f)
	whole, _ := was.at(c.change)
	return whole
}

// tilt finds the slope of the whole at the temperature for which it was built.
func (c *climate) tilt() {
	const step = 0.01
	all := c.together()
	c.stretch(c.warm, all, c.built+step)
	c.stretch(c.cold, all, c.built-step)
	for i, v := range c.cold {
		c.warm[i] = (c.warm[i] - v) / (2 * step)
	}
	c.plan.Forward(c.slope, c.warm)
}

// together sums what is in force by what its processors delay.
func (c *climate) together() (sums []stretchable) {
next:
	for _, p := range append(c.rest[:len(c.rest):len(c.rest)], c.parts...) {
		for i := range sums {
			if sums[i].electrical == p.electrical {
				for n, v := range p.h {
					sums[i].h[n] += v
				}
				continue next
			}
		}
		sums = append(sums, stretchable{append([]float64(nil), p.h...), p.electrical})
	}
	return sums
}

func (c *climate) spectrum(dst []complex128, of []stretchable, change float64) []complex128 {
	c.stretch(c.warm, of, change)
	return c.plan.Forward(dst, c.warm)
}

// stretch sets dst to the sum of impulse responses in air that is change warmer
// than the baseline's: every delay, but what processors make of it, scales by √(T/(T+ΔT)).
func (c *climate) stretch(dst []float64, of []stretchable, change float64) {
	by := math.Sqrt((c.kelvin + change) / (c.kelvin + c.taken))
	lead := float64(c.b.lead)
	clear(dst)
	for _, p := range of {
		for i := range dst {
			dst[i] += interpolate(p.h, (float64(i)+lead-p.electrical)*by+p.electrical-lead)
		}
	}
}

// Band-limited interpolation with a windowed sine cardinal, from a table.
const (
	reach  = 16  // samples on each side
	phases = 512 // table rows between two samples
)

var kernel = func() (k [phases + 1][2 * reach]float64) {
	for p := range k {
		for j := range k[p] {
			x := float64(p)/phases + reach - 1 - float64(j)
			k[p][j] = 0.5 + 0.5*math.Cos(math.Pi*x/reach)
			if x != 0 {
				k[p][j] *= math.Sin(math.Pi*x) / (math.Pi * x)
			}
		}
	}
	return k
}()

// interpolate is h between its samples; beyond its ends it is zero.
func interpolate(h []float64, at float64) float64 {
	n := int(math.Floor(at))
	phase := (at - float64(n)) * phases
	p := int(phase)
	rest := phase - float64(p)
	from := n - reach + 1
	a, b := &kernel[p], &kernel[min(p+1, phases)]
	s := 0.0
	if from >= 0 && from+len(a) <= len(h) {
		for j, v := range h[from : from+len(a)] {
			s += v * (a[j] + rest*(b[j]-a[j]))
		}
		return s
	}
	for j := range a {
		if k := from + j; k >= 0 && k < len(h) {
			s += h[k] * (a[j] + rest*(b[j]-a[j]))
		}
	}
	return s
}

// temper follows the air: a Kalman filter with a random walk for the
// temperature, bounded, so that a loudspeaker that moves is not taken for
// weather. The slope holds for a few hundredths of a kelvin; after a long pause
// the temperature is looked for.
func (w *Watch) temper() {
	c := &w.climate
	if w.learning > 0 || w.waiting > 0 {
		return // something else is going on
	}
	if w.paused*w.seg.stepS(w.b.cfg.SampleRateHz) > longPauseS {
		xy := append([]complex128(nil), w.ex...)
		for k, xx := range w.xx {
			xy[k] += w.now[k] * complex(xx, 0)
		}
		c.change = c.search(w, w.xx, xy, w.weight)
	}
	var u, q float64
	for k := w.b.low; k < w.b.high; k++ {
		g := w.weight[k]
		u += g * real(conj(c.slope[k])*w.ex[k])
		q += g * abs2(c.slope[k]) * w.xx[k]
	}
	c.spread2 += wander * wander / 60 * w.seg.stepS(w.b.cfg.SampleRateHz)
	if q > 0 && w.paused == 0 {
		// The step's own estimate is measured from the responses in force.
		gain := c.spread2 / (c.spread2 + 1/(2*q))
		c.spread2 *= 1 - gain
		moved := gain * (u/q - (c.change - c.built))
		c.change += min(max(moved, -fastest), fastest)
	}
	w.paused = 0
	if math.Abs(c.change-c.built) > rebuild {
		w.now, w.parts = c.responses()
		w.rearm()
	}
}

// widest is by how many kelvin the air is thought to change in a pause, or when a
// door is opened.
const widest = 6

// search finds the change of temperature that explains best what was heard, Σ|X|²
// and ΣX*Y, each bin with its weight per energy: first among the low frequencies, where a
// coarse grid holds the best one.
func (c *climate) search(w *Watch, xx []float64, xy []complex128, weight []float64) float64 {
	best := c.change
	h := make([]complex128, len(c.slope))
	all := c.together()
	for _, grid := range []struct{ hz, reach, step float64 }{
		{400, widest, 0.4}, {2000, 0.5, 0.1}, {highestHz, 0.1, 0.02}, {highestHz, 0.02, 0.005},
	} {
		middle, most, to := best, math.Inf(-1), min(w.b.bin(grid.hz), w.b.high)
		for kelvin := middle - grid.reach; kelvin <= middle+grid.reach+grid.step/2; kelvin += grid.step {
			c.spectrum(h, all, kelvin)
			score := 0.0
			for k := w.b.low; k < to; k++ {
				score += weight[k] * (2*real(conj(h[k])*xy[k]) - abs2(h[k])*xx[k])
			}
			if score > most {
				best, most = kelvin, score
			}
		}
	}
	return best
}

// rearm makes the tests for new responses and keeps what has accumulated.
func (w *Watch) rearm() {
	old := w.tests
	w.tests = nil
	w.arm()
	for i := range w.tests {
		h := w.tests[i].hypothesis
		w.tests[i] = old[i]
		w.tests[i].hypothesis = h
	}
}

// TemperatureC is the air's temperature as the delays tell it.
func (w *Watch) TemperatureC() float64 { return w.b.cfg.TemperatureC + w.climate.change }
