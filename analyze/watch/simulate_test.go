package watch

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"plumbline/analyze/fft"
)

// hall is a simulated room with two loudspeakers: impulse responses of a direct
// sound, early reflections and a diffuse tail of thousands of pulses that decay
// exponentially (Polack's model of late reverberation; from memory), T60 = 1 s,
// 6 dB under the direct sound. Nothing of it is used by the code under test.
type hall struct {
	rate   float64
	pulses [2][]pulse
	a, b   []float64 // impulse responses, main and fill
}

type pulse struct{ s, gain float64 }

const hallS = 0.9

// newHall makes a hall with the fill 7.4 ms behind the main.
func newHall(rate float64, seed uint64) *hall {
	rng := rand.New(rand.NewPCG(seed, 7))
	h := &hall{rate: rate}
	for i, direct := range []pulse{{0.0152, 0.5}, {0.0226, 0.4}} {
		h.pulses[i] = append(h.pulses[i], direct)
		for range 6 {
			h.pulses[i] = append(h.pulses[i], pulse{direct.s + 0.004 + 0.05*rng.Float64(), direct.gain * (rng.Float64() - 0.5) * 0.8})
		}
		tail := make([]pulse, 4000)
		e := 0.0
		for j := range tail {
			t := 0.02 + (hallS-0.06)*rng.Float64()
			tail[j] = pulse{direct.s + t, rng.NormFloat64() * math.Pow(10, -3*t)}
			e += tail[j].gain * tail[j].gain
		}
		for _, p := range tail {
			h.pulses[i] = append(h.pulses[i], pulse{p.s, p.gain * direct.gain * math.Sqrt(math.Pow(10, -0.6)/e)})
		}
	}
	h.warm(20)
	return h
}

// warm sets the temperature: every delay scales with 1/√T (ISO 9613-1).
func (h *hall) warm(celsius float64) {
	by := math.Sqrt(293.15 / (celsius + 273.15))
	for i, dst := range []*[]float64{&h.a, &h.b} {
		*dst = make([]float64, int(hallS*h.rate))
		for _, p := range h.pulses[i] {
			sinc(*dst, p.s*by*h.rate, p.gain)
		}
	}
}

// nudged are the impulse responses with the microphone moved by so many metres: each
// pulse, from wherever it comes, arrives earlier or later by the part of that in its
// direction.
func (h *hall) nudged(m float64, seed uint64) (a, b []float64) {
	rng := rand.New(rand.NewPCG(seed, 17))
	for i, dst := range []*[]float64{&a, &b} {
		*dst = make([]float64, int(hallS*h.rate))
		for _, p := range h.pulses[i] {
			// Directions all around: the cosine with any one of them is even in −1…1.
			sinc(*dst, (p.s+m*(2*rng.Float64()-1)/343)*h.rate, p.gain)
		}
	}
	return a, b
}

// sinc adds a band-limited pulse at a fractional sample.
func sinc(h []float64, at, gain float64) {
	for i := max(0, int(at)-24); i < min(len(h), int(at)+25); i++ {
		x := float64(i) - at
		v := 1.0
		if x != 0 {
			v = math.Sin(math.Pi*x) / (math.Pi * x)
		}
		h[i] += gain * v * (0.5 + 0.5*math.Cos(math.Pi*x/25))
	}
}

// convolver is streaming overlap-save convolution with a response that may be
// replaced between two blocks.
type convolver struct {
	n     int
	plan  *fft.Real
	block []float64 // the newest n samples
	out   []float64
	x, h  []complex128
}

func newConvolver(taps int) *convolver {
	n := 1
	for n < 2*taps {
		n *= 2
	}
	return &convolver{n: n, plan: fft.NewReal(n), block: make([]float64, n), out: make([]float64, n), x: make([]complex128, n/2+1), h: make([]complex128, n/2+1)}
}

func (c *convolver) set(h []float64) {
	padded := make([]float64, c.n)
	copy(padded, h)
	c.plan.Forward(c.h, padded)
}

// step is how many samples go through at a time.
func (c *convolver) step() int { return c.n / 2 }

func (c *convolver) run(dst, x []float64) {
	push(c.block, x)
	c.plan.Forward(c.x, c.block)
	for k, v := range c.h {
		c.x[k] *= v
	}
	c.plan.Inverse(c.out, c.x)
	copy(dst, c.out[c.n/2:])
}

// programme makes reference sound.
type programme func(dst []float64)

func pink(rng *rand.Rand) programme {
	// Voss's sum of octave-spaced first-order sections, as in Kellet's published
	// coefficients (from memory); its exact slope does not matter here.
	var b [3]float64
	return func(dst []float64) {
		for i := range dst {
			w := rng.NormFloat64()
			b[0] = 0.99765*b[0] + w*0.0990460
			b[1] = 0.96300*b[1] + w*0.2965164
			b[2] = 0.57000*b[2] + w*1.0526913
			dst[i] = 0.05 * (b[0] + b[1] + b[2] + w*0.1848)
		}
	}
}

// band plays notes with harmonics and decays over drums, with breaks.
func band(rate float64, rng *rand.Rand) programme {
	type note struct {
		phase, step        complex128 // a rotating phasor is cheaper than a sine
		amp, decay, bright float64
	}
	var notes []note
	drum, tone := 0.0, 0.0
	beat, n := int(rate*0.23), 0
	pause := 0
	return func(dst []float64) {
		for i := range dst {
			if n%beat == 0 {
				if pause > 0 {
					pause--
				} else {
					drum = 0.3 + 0.4*rng.Float64()
					for range 1 + rng.IntN(3) {
						hz := 55 * math.Pow(2, float64(rng.IntN(48))/12)
						notes = append(notes, note{phase: 1, step: cmplx.Rect(1, 2*math.Pi*hz/rate), amp: 0.05 + 0.08*rng.Float64(), decay: math.Exp(-(1 + 4*rng.Float64()) / rate), bright: 0.3 + 0.5*rng.Float64()})
					}
					if rng.IntN(60) == 0 {
						pause = 4 + rng.IntN(30)
					}
				}
				k := 0
				for _, v := range notes {
					if v.amp > 1e-4 {
						notes[k] = v
						k++
					}
				}
				notes = notes[:k]
			}
			n++
			s := 0.0
			for j := range notes {
				v := &notes[j]
				v.phase *= v.step
				// A sum of harmonics with geometric amplitudes in closed form.
				s += v.amp * imag(v.phase) / (1 - 2*v.bright*real(v.phase) + v.bright*v.bright) * (1 - v.bright)
				v.amp *= v.decay
			}
			w := rng.NormFloat64()
			tone += 0.3 * (w - tone)
			s += drum * 0.15 * (0.4*w + tone)
			drum *= 0.9996
			dst[i] = s
		}
	}
}

// talk is a voice: glottal pulses and hiss in syllables and pauses, through two
// moving resonances.
func talk(rate float64, rng *rand.Rand) programme {
	phase, pitch, env, target := 0.0, 120.0, 0.0, 0.0
	left, voiced := 0, true
	var y1, y2, z1, z2 float64
	f1, f2 := 500.0, 1500.0
	return func(dst []float64) {
		for i := range dst {
			if left--; left <= 0 {
				left = int(rate * (0.08 + 0.2*rng.Float64()))
				target = []float64{0, 0.6, 1, 0.8}[rng.IntN(4)]
				if rng.IntN(12) == 0 {
					target, left = 0, int(rate*(0.3+rng.Float64()))
				}
				voiced = rng.IntN(4) != 0
				pitch = 90 + 60*rng.Float64()
				f1, f2 = 300+500*rng.Float64(), 900+1600*rng.Float64()
			}
			env += 0.0015 * (target - env)
			e := 0.02 * rng.NormFloat64()
			if voiced {
				phase += pitch / rate
				if phase >= 1 {
					phase--
					e += 6
				}
			} else {
				e += 0.5 * rng.NormFloat64()
			}
			e *= env
			const r = 0.985
			a := e + 2*r*math.Cos(2*math.Pi*f1/rate)*y1 - r*r*y2
			y2, y1 = y1, a
			c := e + 2*r*math.Cos(2*math.Pi*f2/rate)*z1 - r*r*z2
			z2, z1 = z1, c
			dst[i] = 0.02 * (a*0.3 + c*0.3 + e)
		}
	}
}

// sound plays a programme through a hall; fault changes its responses.
type sound struct {
	hall  *hall
	play  programme
	rng   *rand.Rand
	conv  *convolver
	noise programme
	gain  float64 // of the noise; set from the first block to 12 dB SNR
	x, y  []float64
	v     []float64
}

func newSound(h *hall, p programme, seed uint64) *sound {
	s := &sound{hall: h, play: p, rng: rand.New(rand.NewPCG(seed, 3))}
	s.conv = newConvolver(len(h.a))
	s.noise = pink(s.rng)
	s.x, s.y, s.v = make([]float64, s.conv.step()), make([]float64, s.conv.step()), make([]float64, s.conv.step())
	s.set(h.a, h.b)
	// The noise lies 12 dB under the programme, over 20 s of it.
	var signal, noise float64
	for range int(20 * h.rate / float64(s.conv.step())) {
		s.next()
		for i := range s.y {
			signal += s.y[i] * s.y[i]
		}
		s.noise(s.v)
		for _, v := range s.v {
			noise += v * v
		}
	}
	s.gain = math.Sqrt(signal / noise * math.Pow(10, -1.2))
	return s
}

func (s *sound) set(a, b []float64) {
	h := make([]float64, len(a))
	for i := range h {
		h[i] = a[i] + b[i]
	}
	s.conv.set(h)
}

// next makes a block of reference and microphone.
func (s *sound) next() (ref, mic []float64) {
	s.play(s.x)
	s.conv.run(s.y, s.x)
	if s.gain > 0 {
		s.noise(s.v)
		for i := range s.y {
			s.y[i] += s.gain * s.v[i]
		}
	}
	return s.x, s.y
}

// record is seconds of it.
func (s *sound) record(seconds float64) (ref, mic []float64) {
	most := int(seconds*s.hall.rate) + len(s.x)
	ref, mic = make([]float64, 0, most), make([]float64, 0, most)
	for float64(len(ref)) < seconds*s.hall.rate {
		x, y := s.next()
		ref, mic = append(ref, x...), append(mic, y...)
	}
	return ref, mic
}
