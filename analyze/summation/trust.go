package summation

import (
	"math"

	"plumbline/analyze/response"
)

// A point is trusted by what its surroundings say, never by its own value: of points
// that are trusted because noise has raised them, all that is computed is too high.

// surroundings are looked at in turn, octaves: the first in which signal stands out of
// the noise decides.
var surroundings = [...]float64{1.0 / 3, 1, 3}

const (
	// standsOut is how many standard deviations of its own error a level must be above
	// nothing: of unrelated channels 1 % do (response.FalseTrust), normal distribution.
	standsOut = 2.326
	// mostNoise is the noise over the signal, as powers, beyond which a point tells
	// nothing of what is there.
	mostNoise = 30
	// tones that stand so far out of the noise around them, as hum does, say nothing of it.
	outlier = 10
)

// heard says at which points a loudspeaker is heard: where the power of its response
// over the surroundings, less that of the noise, is more than chance.
func heard(s *response.Spectra) []bool {
	n := len(s.FrequencyHz)
	out := make([]bool, n)
	f := make([]float64, 0, n)
	level, noise, error2 := make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n)
	at := make([]int, 0, n)
	for k := range n {
		if !measured(s, k) {
			continue
		}
		v := s.Variance(k)
		at, f = append(at, k), append(f, s.FrequencyHz[k])
		level, noise = append(level, power(s.H(k))-v), append(noise, v)
		error2 = append(error2, v*v*(alikeNeighbours+1/(s.EffectiveAverages[k]-1)))
	}
	if len(at) == 0 {
		return out
	}
	use := usual(newWindows(f, surroundings[0]), noise)
	undecided := len(at)
	done := make([]bool, len(at))
	for _, octaves := range surroundings {
		w := newWindows(f, octaves)
		count, levels, noises, errors := w.sums(use, nil), w.sums(use, level), w.sums(use, noise), w.sums(use, error2)
		for i, k := range at {
			if done[i] || count[i] == 0 || levels[i] <= standsOut*math.Sqrt(errors[i]) {
				continue
			}
			done[i] = true
			undecided--
			out[k] = noise[i] <= mostNoise*levels[i]/count[i] || noises[i] <= mostNoise*levels[i]
		}
		if undecided == 0 {
			break
		}
	}
	return out
}

// alikeNeighbours is how many times the variance of a sum of powers over lines of a
// Hann window is that over independent ones: 1 + 2(4/9)² + 2(1/36)².
const alikeNeighbours = 1.4

// measured says whether there was a reference and anything to hear at point k.
func measured(s *response.Spectra, k int) bool {
	return s.FrequencyHz[k] > 0 && s.EffectiveAverages[k] > 1 && s.Gxx[k] > 0 && s.Gyy[k] > rounding*s.Gxx[k]
}

// usual is 1 where the noise is not far above that around it, else 0.
func usual(w windows, noise []float64) []float64 {
	use := make([]float64, len(noise))
	log := make([]float64, len(noise))
	for k, v := range noise {
		use[k], log[k] = 1, math.Log(max(v, 1e-30))
	}
	mean, count := w.sums(use, log), w.sums(use, nil)
	limit := math.Log(outlier)
	for k := range use {
		if log[k] > mean[k]/count[k]+limit {
			use[k] = 0
		}
	}
	return use
}

// windows are the points within half of some octaves of each point: from…to.
type windows struct{ from, to []int }

func newWindows(f []float64, octaves float64) windows {
	w := windows{make([]int, len(f)), make([]int, len(f))}
	half := math.Exp2(octaves / 2)
	lo, hi := 0, 0
	for k := range f {
		for hi < len(f) && f[hi] <= f[k]*half {
			hi++
		}
		for f[lo] < f[k]/half {
			lo++
		}
		w.from[k], w.to[k] = lo, hi
	}
	return w
}

// sums are those of use·x, or of use alone, over each window.
func (w windows) sums(use, x []float64) []float64 {
	total := make([]float64, len(use)+1)
	for k, u := range use {
		if x != nil {
			u *= x[k]
		}
		total[k+1] = total[k] + u
	}
	out := make([]float64, len(use))
	for k := range out {
		out[k] = total[w.to[k]] - total[w.from[k]]
	}
	return out
}
