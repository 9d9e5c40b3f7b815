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
	whole   []float64
	slope   []complex128 // of the whole response, per K, at built
	plan    *fft.Real
	warm    []float64
	cold    []float64
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
		whole: append([]float64(nil), b.rest...),
		warm:  make([]float64, b.n),
		cold:  make([]float64, b.n),
		slope: make([]complex128, b.n/2+1),
	}
	for _, p := range b.parts {
		for i, v := range p.h {
			c.whole[i] += v
		}
	}
}

// responses are the baseline's whole and parts at the temperature followed.
func (c *climate) responses() (whole []complex128, parts [][]complex128) {
	c.built = c.change
	spectrum := func(h []float64) []complex128 {
		c.stretch(c.warm, h, c.built)
		return c.plan.Forward(nil, c.warm)
	}
	whole = spectrum(c.whole)
	for _, p := range c.b.parts {
		parts = append(parts, spectrum(p.h))
	}
	const step = 0.01
	c.stretch(c.warm, c.whole, c.built+step)
	c.stretch(c.cold, c.whole, c.built-step)
	for i, v := range c.cold {
		c.warm[i] = (c.warm[i] - v) / (2 * step)
	}
	c.plan.Forward(c.slope, c.warm)
	return whole, parts
}

// stretch sets dst to the impulse response h in air that is kelvin warmer: every
// delay, counted from the reference, scales by √(T/(T+ΔT)).
func (c *climate) stretch(dst, h []float64, kelvin float64) {
	by := math.Sqrt((c.kelvin + kelvin) / c.kelvin)
	for i := range dst {
		at := float64(i+c.b.lead)*by - float64(c.b.lead)
		dst[i] = interpolate(h, at)
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
	if w.state != (Change{}) || w.waiting > 0 {
		return // something else is going on
	}
	if w.paused*w.seg.stepS(w.b.cfg.SampleRateHz) > longPauseS {
		c.change = c.search(w)
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

// search tries the temperatures that the air may have taken on in a long pause
// and returns the one that explains this step best.
func (c *climate) search(w *Watch) float64 {
	const widest, step = 3, 0.05
	best, most := c.change, math.Inf(-1)
	h := make([]complex128, len(c.slope))
	for kelvin := c.change - widest; kelvin <= c.change+widest; kelvin += step {
		c.stretch(c.warm, c.whole, kelvin)
		c.plan.Forward(h, c.warm)
		score := 0.0
		for k := w.b.low; k < w.b.high; k++ {
			d := h[k] - w.now[k]
			score += w.weight[k] * (2*real(conj(d)*w.ex[k]) - abs2(d)*w.xx[k])
		}
		if score > most {
			best, most = kelvin, score
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
