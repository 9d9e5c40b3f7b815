package room

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
)

// gaussian is a decay of Gaussian noise, which is what a diffuse room makes of an impulse
// (Schroeder, J. Audio Eng. Soc. 10, 1962), over noise 60 dB below its beginning.
func gaussian(timeS, lengthS float64, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 9))
	h := make([]float64, int(lengthS*rate))
	q, e := math.Exp(-3*math.Ln10/timeS/rate), 1.0
	for i := range h {
		h[i] = 1e-3 * r.NormFloat64()
		if i >= 4800 {
			h[i] += e * r.NormFloat64()
			e *= q
		}
	}
	return h
}

// TestChanceOfOneRecording: the times of a diffuse decay scatter about the true one as the
// standard deviation beside them says, and are right on the average.
func TestChanceOfOneRecording(t *testing.T) {
	trials, times := 6, []float64{0.5}
	if truth.Thorough {
		trials, times = 300, []float64{0.5, 1, 2}
	}
	covered, all, most := 0.0, 0.0, 0.0
	for _, s := range times {
		rooms := make([]*Room, trials)
		truth.Trials(trials, func(i int) { rooms[i] = analyzed(t, gaussian(s, 0.2+1.3*s, truth.From+uint64(i)), Config{}) })
		for k := range rooms[0].Bands {
			for name, get := range map[string]func(Band) (v, sd float64){
				"EDT": func(b Band) (v, sd float64) { return b.EDTS, b.EDTSDS },
				"T20": func(b Band) (v, sd float64) { return b.T20S, b.T20SDS },
				"T30": func(b Band) (v, sd float64) { return b.T30S, b.T30SDS },
			} {
				sum, n := 0.0, 0.0
				for _, r := range rooms {
					v, sd := get(r.Bands[k])
					if r.Bands[k].NominalHz < 125 || math.IsNaN(v) {
						continue
					}
					sum += v
					n++
					all++
					if math.Abs(v-s) <= 1.96*sd {
						covered++
					}
				}
				if name != "EDT" && n > 0 {
					most = max(most, off(sum/n, s))
				}
			}
		}
	}
	part := 100 * covered / all
	found := fmt.Sprintf("%.1f %% of %.0f", part, all)
	if !truth.Thorough {
		if part < 88 || all < 110 { // six rooms, their bands not quite independent
			t.Errorf("intervals cover %s", found)
		}
		return
	}
	truth.Claim(t, "95 % intervals of EDT, T20, T30 of one diffuse decay hold the true time in 92 % or more, octaves from 125 Hz",
		"ISO 3382-2:2008, 7.1 (from memory); Schroeder, J. Audio Eng. Soc. 10, 1962", found, truth.AtLeast(part, "92"))
	truth.Claim(t, "T20 and T30 of diffuse decays of 0.5…2 s are right on the average within 5 %, octaves from 125 Hz",
		"the time the noise was made with", fmt.Sprintf("%.2f %%", most), truth.AtMost(most, "5"))
}
