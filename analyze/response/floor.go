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
	// left of a tone: less than 0.15/d⁶ of it, d bins beside (Harris, Proc. IEEE 66,
	// 1978: −31 dB, and 18 dB an octave). The window there may be half as long as
	// at the tone, which doubles it, and twice that is on the safe side.
	leakFrom, leakAt = 3, 0.6
)

// leaks is how much of a point lies in another so many points away, at the window
// that the grid has for it, which holds periodsWanted periods or more.
var leaks = func() (table [2 * pointsPerOctave]float64) {
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
	const (
		part  = 24 // points of which the strongest is known
		reach = len(leaks)/part + 1
		steep = leakAt / (leakFrom * leakFrom * leakFrom * leakFrom * leakFrom * leakFrom)
	)
	var strongest [32]float64 // of each part; the grid has no more
	loudest := 0.0
	for i, v := range s.Gxx {
		if v > 0 {
			loudest = max(loudest, v*s.FrequencyHz[i])
			p := min(i/part, len(strongest)-1)
			strongest[p] = max(strongest[p], v)
		}
	}
	for i, v := range s.Gxx {
		if v == 0 {
			continue
		}
		blank := v < floor && v*s.FrequencyHz[i] < floorShare*loudest
		if !blank {
			p := min(i/part, len(strongest)-1)
			near := 0.0
			for _, o := range strongest[max(0, p-reach):min(len(strongest), p+reach+1)] {
				near = max(near, o)
			}
			blank = v < steep*near && s.leaked(i)
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

// leaked says whether point i may hold but what leaked from stronger ones.
func (s *Spectra) leaked(i int) bool {
	v := s.Gxx[i]
	for k, share := range leaks {
		if share > 0 && (i >= k && s.Gxx[i-k]*share > v || i+k < len(s.Gxx) && s.Gxx[i+k]*share > v) {
			return true
		}
	}
	return false
}
