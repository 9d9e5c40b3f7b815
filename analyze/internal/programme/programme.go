// Package programme makes what the tests of the analysis listen to: noise, music
// and speech out of a random generator, and rooms and paths to play them
// through. Nothing in it is a recording. The same seed always gives the same
// samples.
package programme

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// New is a generator of random numbers for one test case.
func New(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x706c756d62)) }

// White fills n samples with Gaussian noise of standard deviation 1.
func White(r *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

// Pink fills n samples with noise of −3 dB an octave from 20 Hz up, of root mean
// square 1.
func Pink(r *rand.Rand, rate float64, n int) []float64 {
	x := Filter(White(r, n), rate, func(f float64) complex128 {
		return complex(math.Sqrt(20/max(f, 20)), 0)
	})
	return Normalise(x)
}

// Normalise scales x to a root mean square of 1, in place.
func Normalise(x []float64) []float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	if g := math.Sqrt(sum / float64(len(x))); g > 0 {
		for i := range x {
			x[i] /= g
		}
	}
	return x
}

// Music is a made-up band: a bass line, chords with decaying harmonics, and
// percussion, with rests. Root mean square 1.
func Music(r *rand.Rand, rate float64, n int) []float64 {
	x := make([]float64, n)
	beat := rate * (0.35 + 0.35*r.Float64())
	root := 45 + 12*r.Float64()
	scale := []float64{0, 2, 3, 5, 7, 8, 10, 12}
	pick := func() float64 { return scale[r.IntN(len(scale))] }
	for t := 0.0; t < float64(n); t += beat / 2 {
		at := int(t + 0.01*beat*r.NormFloat64())
		if r.Float64() < 0.12 {
			continue // a rest
		}
		if r.Float64() < 0.7 {
			note(r, x, rate, at, note2hz(root-12+pick()), 0.5+0.5*r.Float64(), 12, 0.4, 1)
		}
		if r.Float64() < 0.6 {
			for range 3 {
				note(r, x, rate, at, note2hz(root+12+pick()), 0.3+0.3*r.Float64(), 20, 0.8, 0.4)
			}
		}
		if r.Float64() < 0.5 { // a drum with a falling pitch
			drum(r, x, rate, at, 60+40*r.Float64(), 1.5)
		}
		if r.Float64() < 0.7 { // cymbal or snare: a burst of noise
			burst(r, x, rate, at, 0.02+0.1*r.Float64(), 0.2+0.5*r.Float64())
		}
	}
	return Normalise(x)
}

func note2hz(n float64) float64 { return 440 * math.Pow(2, (n-69)/12) }

func note(r *rand.Rand, x []float64, rate float64, at int, hz, seconds float64, harmonics int, fall, gain float64) {
	for h := 1; h <= harmonics; h++ {
		f := hz * float64(h) * (1 + 1e-4*float64(h*h)*r.Float64())
		if f > 0.4*rate || f > 14000 {
			break
		}
		a := gain * math.Pow(float64(h), -1-fall*r.Float64())
		decay := seconds / (1 + 0.2*float64(h))
		// A decaying phasor, turned sample by sample.
		turn := cmplx.Rect(math.Exp(-1/(decay*rate)), 2*math.Pi*f/rate)
		z := cmplx.Rect(a, 2*math.Pi*r.Float64())
		attack := 0.003 * rate
		for i := 0; i < int(4*decay*rate) && at+i < len(x); i++ {
			if k := at + i; k >= 0 {
				x[k] += imag(z) * min(1, float64(i)/attack)
			}
			z *= turn
		}
	}
}

func drum(r *rand.Rand, x []float64, rate float64, at int, hz, gain float64) {
	phase := 0.0
	for i := 0; i < int(0.3*rate); i++ {
		t := float64(i) / rate
		phase += 2 * math.Pi * hz * (1 + 3*math.Exp(-t/0.02)) / rate
		if k := at + i; k >= 0 && k < len(x) {
			x[k] += gain * math.Exp(-t/0.08) * math.Sin(phase)
		}
	}
	burst(r, x, rate, at, 0.004, 0.3*gain)
}

func burst(r *rand.Rand, x []float64, rate float64, at int, seconds, gain float64) {
	last := 0.0
	for i := 0; i < int(6*seconds*rate); i++ {
		v := r.NormFloat64()
		if k := at + i; k >= 0 && k < len(x) {
			x[k] += gain * math.Exp(-float64(i)/rate/seconds) * (v - 0.8*last)
		}
		last = v
	}
}

// Speech is made-up talk: pulses of a gliding pitch through three resonances,
// hisses between them, syllables and pauses. Root mean square 1.
func Speech(r *rand.Rand, rate float64, n int) []float64 {
	x := make([]float64, n)
	pitch := 90 + 120*r.Float64()
	for at := int(0.1 * rate * r.Float64()); at < n; {
		length := int(rate * (0.08 + 0.2*r.Float64()))
		level := 0.3 + 0.7*r.Float64()
		voiced := r.Float64() < 0.75
		formants := [3]float64{300 + 500*r.Float64(), 900 + 1400*r.Float64(), 2300 + 900*r.Float64()}
		var state [3][2]float64
		phase, bend := 0.0, 1+0.3*r.NormFloat64()*0.3
		for i := 0; i < length && at+i < n; i++ {
			t := float64(i) / float64(length)
			envelope := level * math.Sin(math.Pi*t)
			drive := 0.0
			if voiced {
				phase += pitch * (1 + (bend-1)*t) * (1 + 0.01*r.NormFloat64()) / rate
				if phase >= 1 {
					phase--
					drive = 8
				}
				drive += 0.05 * r.NormFloat64()
				sum := 0.0
				for j, f := range formants {
					// Two-pole resonance of 80…160 Hz bandwidth.
					radius := math.Exp(-math.Pi * (80 + 40*float64(j)) / rate)
					y := drive + 2*radius*math.Cos(2*math.Pi*f/rate)*state[j][0] - radius*radius*state[j][1]
					state[j][1], state[j][0] = state[j][0], y
					sum += y * f / rate
				}
				x[at+i] += envelope * sum
				continue
			}
			y := r.NormFloat64() - 0.9*state[0][0]
			state[0][0] = 0.5 * r.NormFloat64()
			x[at+i] += 0.15 * envelope * y
		}
		at += length
		if r.Float64() < 0.2 {
			at += int(rate * (0.1 + 0.4*r.Float64()))
		}
		pitch *= 1 + 0.05*r.NormFloat64()
		pitch = min(max(pitch, 80), 260)
	}
	return Normalise(x)
}
