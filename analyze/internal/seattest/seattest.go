// Package seattest makes recordings of loudspeakers at a seat with a known
// transfer function, for tests of what is computed from such recordings.
package seattest

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
)

// RateHz of all recordings.
const RateHz = 48000

// Path is what lies between the reference and the microphone: copies of the
// signal through a box with second-order slopes at LowHz and HighHz.
type Path struct {
	Copies        []Copy // the first is the direct sound
	LowHz, HighHz float64
}

// Copy is one arrival.
type Copy struct{ DelayMs, Gain float64 }

// Response is the true transfer function.
func (p Path) Response(frequencyHz float64) complex128 {
	var h complex128
	for _, c := range p.Copies {
		h += cmplx.Rect(c.Gain, -2*math.Pi*frequencyHz*c.DelayMs/1e3)
	}
	s := complex(0, frequencyHz)
	box := func(corner complex128) complex128 { return s*s + s*corner*math.Sqrt2 + corner*corner }
	if p.LowHz > 0 {
		h *= s * s / box(complex(p.LowHz, 0))
	}
	if p.HighHz > 0 {
		corner := complex(p.HighHz, 0)
		h *= corner * corner / box(corner)
	}
	return h
}

// Reflect adds n late, weaker copies, and returns the path.
func (p Path) Reflect(rng *rand.Rand, n int, firstMs, lastMs, level float64) Path {
	for range n {
		late := firstMs + (lastMs-firstMs)*rng.Float64()
		gain := level * p.Copies[0].Gain * math.Exp(-2*late/lastMs) * (1 + rng.Float64()) / 1.5
		if rng.IntN(2) == 0 {
			gain = -gain
		}
		p.Copies = append(p.Copies, Copy{p.Copies[0].DelayMs + late, gain})
	}
	return p
}

// Record plays pink noise through the sum of the paths for about 20 s and adds
// pink noise of its own at snrDB below the microphone's signal.
func Record(rng *rand.Rand, snrDB float64, paths ...Path) (ref, mic []float64) {
	return RecordN(rng, 1<<20, RateHz, snrDB, paths...)
}

// RecordN is Record of n samples, a power of two, less the first ones skipped,
// into which the end has wrapped.
func RecordN(rng *rand.Rand, n, skip int, snrDB float64, paths ...Path) (ref, mic []float64) {
	plan := fft.NewReal(n)
	x, noise := pinkSpectrum(rng, n), pinkSpectrum(rng, n)
	ref = plan.Inverse(nil, x)
	for k := range x {
		var h complex128
		for _, p := range paths {
			h += p.Response(float64(k) * RateHz / float64(n))
		}
		x[k] *= h
	}
	mic = plan.Inverse(nil, x)
	hiss := plan.Inverse(nil, noise)
	gain := math.Sqrt(energy(mic)/energy(hiss)) * math.Pow(10, -snrDB/20)
	for i := range mic {
		mic[i] += gain * hiss[i]
	}
	return ref[skip:], mic[skip:]
}

func pinkSpectrum(rng *rand.Rand, n int) []complex128 {
	x := make([]complex128, n/2+1)
	for k := 1; k < n/2; k++ {
		x[k] = complex(rng.NormFloat64(), rng.NormFloat64()) / complex(math.Sqrt(float64(k)), 0)
	}
	return x
}

func energy(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// Welch is the plainest estimate of the spectra: Hann windows of n samples, 75 %
// overlap, plain mean, the reference delayed by whole samples near delayMs.
func Welch(ref, mic []float64, n int, delayMs float64) *response.Spectra {
	late := int(math.Round(delayMs * RateHz / 1e3))
	plan := fft.NewReal(n)
	window, x, y := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range window {
		window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
	}
	s := &response.Spectra{
		SampleRateHz: RateHz, Window: n, Overlap: 0.75, DelayS: float64(late) / RateHz,
		Gxx: make([]float64, n/2+1), Gyy: make([]float64, n/2+1), Gxy: make([]complex128, n/2+1),
	}
	var fx, fy []complex128
	segments := 0
	for at := max(late, 0); at+n <= len(mic); at += n / 4 {
		for i, w := range window {
			x[i], y[i] = w*ref[at-late+i], w*mic[at+i]
		}
		fx, fy = plan.Forward(fx, x), plan.Forward(fy, y)
		for k := range fx {
			s.Gxx[k] += real(fx[k] * cmplx.Conj(fx[k]))
			s.Gyy[k] += real(fy[k] * cmplx.Conj(fy[k]))
			s.Gxy[k] += cmplx.Conj(fx[k]) * fy[k]
		}
		segments++
	}
	for k := range s.Gxx {
		s.FrequencyHz = append(s.FrequencyHz, float64(k)*RateHz/float64(n))
		// Hann at 75 %: a segment is worth 0.520 of an independent one (Welch 1967).
		s.EffectiveAverages = append(s.EffectiveAverages, 0.520*float64(segments))
	}
	return s
}

// Exact is what an endless noise-free measurement on the given frequencies
// would yield: coherence 1 at that many averages.
func Exact(frequencyHz []float64, averages float64, h func(frequencyHz float64) complex128) *response.Spectra {
	s := &response.Spectra{SampleRateHz: RateHz}
	for _, f := range frequencyHz {
		z := h(f)
		s.FrequencyHz = append(s.FrequencyHz, f)
		s.Gxx = append(s.Gxx, 1)
		s.Gxy = append(s.Gxy, z)
		s.Gyy = append(s.Gyy, real(z*cmplx.Conj(z)))
		s.EffectiveAverages = append(s.EffectiveAverages, averages)
	}
	return s
}

// LogGrid is perOctave frequencies an octave from lowHz to highHz.
func LogGrid(lowHz, highHz, perOctave float64) []float64 {
	var f []float64
	for i := 0.0; ; i++ {
		x := lowHz * math.Exp2(i/perOctave)
		if x > highHz*(1+1e-9) {
			return f
		}
		f = append(f, x)
	}
}
