package response

import "math"

// Where the reference plays nothing, its spectrum holds what the converter hisses,
// or what the windows let through from stronger frequencies. Neither tells of the
// path: the microphone need not have heard the one, and the other tells of where it
// came from.
const (
	// floorDBFS: white noise of that level, re a full-scale sine wave, is ten times what
	// a converter makes of nothing (common practice, no source; as caution has it).
	// Less than that, and less than floorShare of the loudest octave, is no programme.
	floorDBFS  = -70.0
	floorShare = 1e-6
	// leakFrom is from how many bins on the side lobes of a Hann window are what is
	// left of a tone: less than leakAt/d⁶ of it, d bins beside (Harris, Proc. IEEE 66,
	// 1978: −31 dB, and 18 dB an octave).
	leakFrom, leakAt = 3, 0.15
)

// leaks is how much of a point lies in another so many points away, at the window
// that the grid has for it, which holds periodsWanted periods or more.
var leaks = func() (table [pointsPerOctave]float64) {
	for k := range table {
		if d := periodsWanted * (1 - math.Exp2(-float64(k)/pointsPerOctave)); d >= leakFrom {
			table[k] = leakAt / (d * d * d * d * d * d)
		}
	}
	return table
}()

// blankFloor makes the points of the multi-resolution grid unknown where the
// reference is at its own floor.
func (s *Spectra) blankFloor() {
	floor := math.Pow(10, floorDBFS/10) / s.SampleRateHz // one-sided density
	loudest, most, least := 0.0, 0.0, math.Inf(1)
	for i, v := range s.Gxx {
		if v > 0 {
			most, least = max(most, v), min(least, v)
			loudest = max(loudest, v*s.FrequencyHz[i])
		}
	}
	const steep = 0.15 / (leakFrom * leakFrom * leakFrom * leakFrom * leakFrom * leakFrom)
	leaky := least < steep*most
	if !leaky && least > floor {
		return
	}
	for i, v := range s.Gxx {
		if v == 0 {
			continue
		}
		blank := v < floor && v*s.FrequencyHz[i] < floorShare*loudest
		if leaky && !blank && v < steep*most {
			for k, share := range leaks {
				if share == 0 {
					continue
				}
				if i >= k && s.Gxx[i-k]*share > v || i+k < len(s.Gxx) && s.Gxx[i+k]*share > v {
					blank = true
					break
				}
			}
		}
		if blank {
			s.Gxy[i], s.EffectiveAverages[i] = 0, 0
		}
	}
	for i, n := range s.EffectiveAverages {
		if n == 0 {
			s.Gxx[i], s.Gyy[i] = 0, 0
		}
	}
}
