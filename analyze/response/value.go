package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"plumbline/analyze/statistics"
)

// What every other package asks of a measured response, and the only place where it
// is worked out of spectra. H, Unexplained, Variance, Coherence, Deviation and Trusted
// are of point k; H and Variance want a point that is Known.

// Known says whether point k had a reference and averages.
func (s *Spectra) Known(k int) bool { return s.Gxx[k] > 0 && s.EffectiveAverages[k] > 0 }

// H is the transfer function re the compensation DelayS: H1 = Gxy/Gxx (Bendat and
// Piersol, Random Data, 4th ed., ch. 6).
func (s *Spectra) H(k int) complex128 {
	return complex(real(s.Gxy[k])/s.Gxx[k], imag(s.Gxy[k])/s.Gxx[k]) // a complex division takes longer
}

// Path is H with the compensation put back, so re the reference itself.
func (s *Spectra) Path(k int) complex128 {
	return s.H(k) * cmplx.Rect(1, -2*math.Pi*s.FrequencyHz[k]*s.DelayS)
}

// Unexplained is the power density of the microphone that H does not explain, re that
// of the reference: Gyy/Gxx − |H|², so (1−γ²)·Gyy/Gxx.
func (s *Spectra) Unexplained(k int) float64 {
	return max(0, s.Gyy[k]-power(s.Gxy[k])/s.Gxx[k]) / s.Gxx[k]
}

// Variance is the mean square of what H is off by, E|Ĥ−H|², both parts together:
// Unexplained/(n−1) at n averages, +Inf for one or less. The divisor is n−1, since of n
// averages H itself explains one: what is left of noise has the mean (n−1)/n times its
// density, and the mean of 1/Gxx is n/(n−1) times 1/its own, so that this is what |Ĥ−H|²
// is on average, at any number of averages above one (complex regression: Goodman, On
// the joint estimation of the spectra, cospectrum and quadrature spectrum, 1957; Bendat
// and Piersol, Random Data, 4th ed., ch. 9, have N−2 of N = 2n for it). The averages
// are those that errors found from the data leave: see late.go.
func (s *Spectra) Variance(k int) float64 {
	n := s.EffectiveAverages[k]
	if !(n > 1) {
		return math.Inf(1)
	}
	return s.Unexplained(k) / (n - 1)
}

// Coherence is |Gxy|²/(Gxx·Gyy), 0…1; 0 without energy.
func (s *Spectra) Coherence(k int) float64 {
	energy := s.Gxx[k] * s.Gyy[k]
	if !(energy > 0) {
		return 0
	}
	return min(1, power(s.Gxy[k])/energy) // rounding can exceed 1
}

// Deviation is half the 95 % interval of one part of H, along or across the true one,
// re |H|: statistics.Deviation. +Inf where nothing is known.
func (s *Spectra) Deviation(k int) float64 {
	return statistics.Deviation(s.Coherence(k), s.EffectiveAverages[k])
}

// Trusted says whether the coherence at point k is more than that of unrelated channels
// in all but a share chance of cases; FalseTrust is what curves take.
func (s *Spectra) Trusted(k int, chance float64) bool {
	return s.Known(k) && s.Coherence(k) > statistics.CoherenceThreshold(s.EffectiveAverages[k], chance)
}

const (
	// AlikeWindow is long enough for a note and short enough that the next is another.
	AlikeWindow = 4096
	// MoreAlike is by how much more alike two channels have to be at another delay for
	// that to be the true one.
	MoreAlike = 0.05
)

// Alike is the mean coherence over log frequency, 0…1, of spectra with a fixed window:
// how much of either channel is the other at that delay.
func Alike(s *Spectra) float64 {
	sum, all := 0.0, 0.0
	for k := range s.FrequencyHz {
		if w := s.weight(k); w > 0 && s.Known(k) {
			sum, all = sum+w*s.Coherence(k), all+w
		}
	}
	if all == 0 {
		return 0
	}
	return sum / all
}

// Turned is what may be set between a reference and a loudspeaker.
type Turned struct {
	DelayS float64 // later
	Sign   int     // polarity: +1 as it is, −1 turned
	GainDB float64
}

// Turn sets dst to what src would have been with its loudspeaker set so: the delay goes
// into DelayS, and neither coherence nor averages change. dst may be src; it shares no
// memory with it otherwise.
func Turn(dst, src *Spectra, t Turned) {
	gain := math.Pow(10, t.GainDB/20)
	signed := complex(gain*float64(t.Sign), 0)
	dst.copy(src)
	dst.DelayS += t.DelayS
	for k := range dst.Gxy {
		dst.Gyy[k] *= gain * gain
		dst.Gxy[k] *= signed
	}
}

// copy sets s to src, in its own memory.
func (s *Spectra) copy(src *Spectra) {
	if s == src {
		return
	}
	frequency, gxx, gyy, gxy, n := s.FrequencyHz, s.Gxx, s.Gyy, s.Gxy, s.EffectiveAverages
	*s = *src
	s.FrequencyHz = append(frequency[:0], src.FrequencyHz...)
	s.Gxx = append(gxx[:0], src.Gxx...)
	s.Gyy = append(gyy[:0], src.Gyy...)
	s.Gxy = append(gxy[:0], src.Gxy...)
	s.EffectiveAverages = append(n[:0], src.EffectiveAverages...)
	s.sums = nil
}

// Add sets dst to a + sign·b as if that had been taken, of two measured apart, on one
// frequency axis: the responses add, and so does what is unexplained. The reference and
// the compensation are a's, the averages the fewer. A point that one of them does not
// know is unknown. dst shares no memory with a and b.
func Add(dst, a, b *Spectra, sign int) error {
	if !slices.Equal(a.FrequencyHz, b.FrequencyHz) {
		return fmt.Errorf("add responses: %d and %d points are not at the same frequencies", len(a.FrequencyHz), len(b.FrequencyHz))
	}
	dst.copy(a)
	later := b.DelayS - a.DelayS
	for k, f := range a.FrequencyHz {
		if !a.Known(k) || !b.Known(k) {
			dst.Gxx[k], dst.Gyy[k], dst.Gxy[k], dst.EffectiveAverages[k] = 0, 0, 0, 0
			continue
		}
		h := a.H(k) + b.H(k)*cmplx.Rect(float64(sign), -2*math.Pi*f*later)
		dst.Gxy[k] = h * complex(a.Gxx[k], 0)
		dst.Gyy[k] = (power(h) + a.Unexplained(k) + b.Unexplained(k)) * a.Gxx[k]
		dst.EffectiveAverages[k] = min(a.EffectiveAverages[k], b.EffectiveAverages[k])
	}
	return nil
}

// ErrorCorrelation is the correlation, 0…1, of the random errors of a response at
// frequencyHz and apart Hz above it, for that window (samples; 0 for multi-resolution):
// how errors go together. Under a fixed Hann window it is the square of hannCorrelation.
// The multi-resolution points also average bins under a triangle of the grid's resolution,
// or a bin, half width; a normal curve of the same variance stands for both.
func ErrorCorrelation(frequencyHz, apart float64, window int, rateHz float64) float64 {
	if window > 0 {
		x := apart * float64(window) / rateHz
		if x > 2.999 {
			return 0
		}
		if n := math.Round(x); math.Abs(x-n) < 1e-9 { // lines of the window, as a rule
			return [...]float64{1, 4. / 9, 1. / 36}[int(n)]
		}
		r := hannCorrelation(x)
		return r * r
	}
	bin := 1 / min(max(periodsWanted/frequencyHz, 2048.0/48000), 65536.0/48000)
	half := max(bin, resolution(frequencyHz))
	const hann = 0.571 // variance of the square of hannCorrelation, bins²
	return math.Exp(-0.5 * apart * apart / (hann*bin*bin + half*half/3))
}

// hannCorrelation is the correlation of a white signal's spectrum at two
// frequencies x bins apart under a Hann window: the transform of the squared
// window. The correlation of cross-spectra is its square.
func hannCorrelation(x float64) float64 {
	sinc := func(x float64) float64 {
		if x == 0 {
			return 1
		}
		return math.Sin(math.Pi*x) / (math.Pi * x)
	}
	return sinc(x) + (sinc(x-1)+sinc(x+1))*2/3 + (sinc(x-2)+sinc(x+2))/6
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
