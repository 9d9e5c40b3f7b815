package watch

import (
	"math"
	"math/cmplx"

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
	slope   []complex128
	sloped  float64 // K for which slope was made
	plan    *fft.Real
	grain   []float64
	bins    []complex128
}

const (
	grainS = 0.01 // of the impulse response that moves as one
	// wander is how far the air's temperature wanders in a step, K: 0.5 K a minute.
	wander = 0.05
	// fastest is the largest change that is followed in a step, K.
	fastest = 0.01
	// rebuild is by how much the temperature moves before the responses are made anew.
	rebuild = 0.05
)

func (c *climate) init(b *Baseline) {
	n := 2
	for float64(n) < grainS*b.cfg.SampleRateHz {
		n *= 2
	}
	*c = climate{
		b: b, kelvin: b.cfg.TemperatureC + 273.15, sloped: math.NaN(),
		plan:  fft.NewReal(b.n),
		grain: make([]float64, b.n),
		bins:  make([]complex128, b.n/2+1),
		slope: make([]complex128, b.n/2+1),
	}
}

// responses are the baseline's whole and parts at the temperature followed.
func (c *climate) responses() (whole []complex128, parts [][]complex128) {
	c.built = c.change
	whole = make([]complex128, c.b.n/2+1)
	c.stretch(whole, c.b.rest, c.change)
	for _, p := range c.b.parts {
		h := make([]complex128, len(whole))
		c.stretch(h, p.h, c.change)
		for k, v := range h {
			whole[k] += v
		}
		parts = append(parts, h)
	}
	return whole, parts
}

// stretch adds the spectrum of an impulse response at a temperature to dst. It
// is cut into grains with triangular ends, each delayed by its own share: exact
// for the phase within a grain, whose times differ by too little to matter.
func (c *climate) stretch(dst []complex128, h []float64, kelvin float64) {
	rate := c.b.cfg.SampleRateHz
	if kelvin == 0 {
		c.plan.Forward(c.bins, h)
		for k, v := range c.bins {
			dst[k] += v
		}
		return
	}
	half := int(grainS * rate / 2)
	for centre := 0; centre < c.b.n+half; centre += half {
		any := false
		clear(c.grain)
		for i := max(0, centre-half+1); i < min(c.b.n, centre+half); i++ {
			c.grain[i] = h[i] * (1 - math.Abs(float64(i-centre))/float64(half))
			any = any || c.grain[i] != 0
		}
		if !any {
			continue
		}
		c.plan.Forward(c.bins, c.grain)
		delay := float64(centre+c.b.lead) / rate * (math.Sqrt(c.kelvin/(c.kelvin+kelvin)) - 1)
		turn := cmplx.Rect(1, -2*math.Pi*rate/float64(c.b.n)*delay)
		phase := complex(1, 0)
		for k, v := range c.bins {
			dst[k] += v * phase
			phase *= turn
		}
	}
}

// prepare makes the derivative of the response with temperature.
func (c *climate) prepare() {
	const step = 0.1
	if math.Abs(c.change-c.sloped) < 1 {
		return
	}
	c.sloped = c.change
	clear(c.slope)
	c.add(c.change+step, 1/(2*step))
	c.add(c.change-step, -1/(2*step))
}

func (c *climate) add(kelvin, by float64) {
	at := make([]complex128, len(c.slope))
	c.stretch(at, c.b.rest, kelvin)
	for _, p := range c.b.parts {
		c.stretch(at, p.h, kelvin)
	}
	for k, v := range at {
		c.slope[k] += v * complex(by, 0)
	}
}

// temper follows the air: a Kalman filter with a random walk for the
// temperature, bounded, so that a loudspeaker that moves is not taken for weather.
func (w *Watch) temper() {
	c := &w.climate
	if w.state != (Change{}) || w.waiting > 0 {
		return // something else is going on
	}
	c.prepare()
	var u, q float64
	for k := w.b.low; k < w.b.high; k++ {
		g := w.weight[k]
		u += g * real(conj(c.slope[k])*w.ex[k])
		q += g * abs2(c.slope[k]) * w.xx[k]
	}
	c.spread2 += wander * wander / 120
	if q == 0 {
		return
	}
	// The step's own estimate is measured from the responses in force.
	gain := c.spread2 / (c.spread2 + 1/(2*q))
	c.spread2 *= 1 - gain
	moved := gain * (u/q - (c.change - c.built))
	c.change += min(max(moved, -fastest), fastest)
	if math.Abs(c.change-c.built) > rebuild {
		w.now, w.parts = c.responses()
		w.rearm()
	}
}

// rearm makes the tests for new responses and keeps what has accumulated.
func (w *Watch) rearm() {
	old := w.tests
	w.tests = nil
	w.arm()
	for i := range w.tests {
		w.tests[i].sum, w.tests[i].onset, w.tests[i].newest = old[i].sum, old[i].onset, old[i].newest
	}
}

// TemperatureC is the air's temperature as the delays tell it.
func (w *Watch) TemperatureC() float64 { return w.b.cfg.TemperatureC + w.climate.change }
