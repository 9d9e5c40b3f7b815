package programme

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// Gated is pink noise that is on for 0.15…0.45 s and off for 0.1…0.6 s. Root
// mean square 1.
func Gated(r *rand.Rand, rate float64, n int) []float64 {
	x := Pink(r, rate, n)
	for i := 0; i < n; {
		i += int((0.15 + 0.3*r.Float64()) * rate)
		for end := min(n, i+int((0.1+0.5*r.Float64())*rate)); i < end; i++ {
			x[i] = 0
		}
	}
	return Normalise(x)
}

// Plucked is single notes of 80…640 Hz, two or three a second, that ring into
// each other: noise that goes round in a damped delay line (Karplus and Strong,
// Computer Music J. 7(2), 1983). Root mean square 1.
func Plucked(r *rand.Rand, rate float64, n int) []float64 {
	x := make([]float64, n)
	for at := 0; at < n; at += int((0.2 + 0.5*r.Float64()) * rate) {
		line := White(r, int(rate/(80*math.Exp2(3*r.Float64()))))
		gain, last := 0.3+0.7*r.Float64(), 0.0
		for i := range min(n-at, int((0.8+1.5*r.Float64())*rate)) {
			v := line[i%len(line)]
			x[at+i] += gain * v
			line[i%len(line)] = 0.996 * 0.5 * (v + last)
			last = v
		}
	}
	return Normalise(x)
}

// Choir is chords of four voices, each of five people a little out of tune, who
// hold a chord for one to two and a half seconds. Root mean square 1.
func Choir(r *rand.Rand, rate float64, n int) []float64 {
	x := make([]float64, n)
	root := 38 + 12*r.Float64()
	for at := 0; at < n; {
		length := int((1 + 1.5*r.Float64()) * rate)
		for _, above := range [4]float64{0, 7, 12, 16} {
			note := note2hz(root + above + float64(r.IntN(8)))
			for range 5 {
				hz := note * (1 + 0.006*r.NormFloat64())
				phase := 2 * math.Pi * r.Float64()
				var voice [12]complex128 // harmonics
				for h := range voice {
					voice[h] = cmplx.Rect(1/float64(h+1), 2*math.Pi*r.Float64())
				}
				for i := range min(n-at, length) {
					phase += 2*math.Pi*hz/rate + 0.004*r.NormFloat64() // not steady
					turn, z, sum := cmplx.Rect(1, phase), complex(1, 0), 0.0
					for h, a := range voice {
						if hz*float64(h+1) > 0.4*rate {
							break
						}
						z *= turn
						sum += imag(a * z)
					}
					x[at+i] += sum * math.Sin(math.Pi*float64(i)/float64(length))
				}
			}
		}
		at += length / 2
	}
	return Normalise(x)
}

// Loud is Music driven into distortion over a bed of noise, as a loud band is
// dense. Root mean square 1.
func Loud(r *rand.Rand, rate float64, n int) []float64 {
	x, bed := Music(r, rate, n), Pink(r, rate, n)
	for i := range x {
		x[i] = math.Tanh(2*x[i]) + 0.1*bed[i]
	}
	return Normalise(x)
}

// Loop is five seconds of Music over and over. Root mean square 1.
func Loop(r *rand.Rand, rate float64, n int) []float64 {
	part := Music(r, rate, int(5*rate))
	x := make([]float64, n)
	for i := range x {
		x[i] = part[i%len(part)]
	}
	return Normalise(x)
}
