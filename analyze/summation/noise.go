package summation

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

// noise describes the random error of one response: a circular complex normal
// deviate at every point, with the variance that the coherence says, correlated
// between neighbours because a window smears them.
type noise struct {
	frequencyHz  []float64
	variance     []float64 // E|Ĥ − H|²
	window       int
	rateHz       float64
	laterS       float64 // compensation put back: the deviates turn with it
	near         [][]complex128
	lastX, lastR float64 // correlation at lastX bins
}

// add appends point k. The variance is |Ĥ|²·(1−γ²)/(γ²·(n−1)), as complex
// regression on Gaussian data gives it (Bendat and Piersol, Random Data, 4th
// ed., ch. 9, for large n).
func (e *noise) add(s *response.Spectra, k int, laterS float64) {
	e.window, e.rateHz, e.laterS = s.Window, s.SampleRateHz, laterS
	e.frequencyHz = append(e.frequencyHz, s.FrequencyHz[k])
	unexplained := max(0, s.Gyy[k]-power(s.Gxy[k])/s.Gxx[k])
	e.variance = append(e.variance, unexplained/s.Gxx[k]/(s.EffectiveAverages[k]-1))
}

// mean is the expected weighted power of the deviates.
func (e *noise) mean(weight []float64) float64 {
	sum := 0.0
	for k, w := range weight {
		sum += w * e.variance[k]
	}
	return sum
}

// spread is the variance of a real quantity whose gradient with respect to the
// responses is g, δ = Re Σ conj(g_k)·N_k: half of Σ conj(g_i)·g_j·E[N_i·conj(N_j)].
func (e *noise) spread(g []complex128) float64 {
	if e.near == nil {
		e.correlate()
	}
	sum := 0.0
	for i, gi := range g {
		sum += power(gi) * e.variance[i]
		for n, c := range e.near[i] {
			z := cmplx.Conj(gi) * g[i+1+n] * c
			sum += 2 * real(z)
		}
	}
	return max(0, sum/2)
}

// correlate fills near: the covariance of each point with those after it.
func (e *noise) correlate() {
	e.near = make([][]complex128, len(e.variance))
	for i, fi := range e.frequencyHz {
		for j := i + 1; j < len(e.variance); j++ {
			apart := e.frequencyHz[j] - fi
			r := e.correlation(fi, apart)
			if r < 1e-3 {
				break
			}
			size := r * math.Sqrt(e.variance[i]*e.variance[j])
			e.near[i] = append(e.near[i], cmplx.Rect(size, 2*math.Pi*apart*e.laterS))
		}
	}
}

// correlation of the random errors at frequencyHz and apart above it. Under a
// fixed Hann window it is the square of hannCorrelation. The multi-resolution
// points also average bins under a triangle of a bin or a 48th of the frequency
// half width; a normal curve of the same variance stands for both.
func (e *noise) correlation(frequencyHz, apart float64) float64 {
	if e.window > 0 {
		x := apart * float64(e.window) / e.rateHz
		if x >= 3 {
			return 0
		}
		if x != e.lastX {
			e.lastX, e.lastR = x, square(hannCorrelation(x))
		}
		return e.lastR
	}
	bin := 1 / min(max(24/frequencyHz, 2048.0/48000), 65536.0/48000)
	half := max(bin, frequencyHz/48)
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
