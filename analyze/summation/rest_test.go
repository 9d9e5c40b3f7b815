package summation

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

// noisySeat is a main and a fill with walls, as alone and together they are recorded.
func noisySeat(rng *rand.Rand) (a, b seattest.Path) {
	path := func(ms, gain, low, high float64) seattest.Path {
		return seattest.Path{Copies: []seattest.Copy{{DelayMs: ms, Gain: gain}}, LowHz: low, HighHz: high}.Reflect(rng, 8, 4, 60, 0.5)
	}
	return path(20+10*rng.Float64(), 0.3, 60, 16000), path(16+10*rng.Float64(), 0.3*(0.7+0.6*rng.Float64()), 90, 15000)
}

// The rest of the ledger is 0 where both are recorded as they are alone, however loud
// the noise: its interval holds that, 93…97 % of the time.
func TestRestHoldsNothing(t *testing.T) {
	theatres, size := 5, 1<<17
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		theatres = 300
	}
	slack := 2 * math.Sqrt(0.95*0.05/float64(theatres))
	for _, snrDB := range []float64{0, -10, -20} {
		held, sum := 0.0, 0.0
		for seed := range uint64(theatres) {
			rng := rand.New(rand.NewPCG(seed, 9))
			a, b := noisySeat(rng)
			measure := func(paths ...seattest.Path) *response.Spectra {
				ref, mic := seattest.RecordN(rng, size, 8192, snrDB, paths...)
				return seattest.Welch(ref, mic, 8192, paths[0].Copies[0].DelayMs)
			}
			l, err := Account(measure(a), measure(b), measure(a, b), Config{Band: Band{100, 5000}})
			if err != nil {
				t.Errorf("theatre %d, %g dB: %v", seed, snrDB, err)
				continue
			}
			rest := l.Rows[5]
			if rest.LowDB <= 0 && rest.HighDB >= 0 {
				held += 100 / float64(theatres)
			}
			sum += (rest.HighDB - max(rest.LowDB, -20)) / float64(theatres)
		}
		if held < 100*(0.93-slack) || held > 100*(0.97+slack) {
			t.Errorf("%g dB signal to noise: the rest's interval holds 0 %.1f %% of the time, want 93…97 %%", snrDB, held)
		}
		t.Logf("%g dB: %.1f %%, %.2f dB wide", snrDB, held, sum)
		t.Attr("truth", fmt.Sprintf("the ledger's rest holds 0 where nothing is left, 93–97 %% of the time, at %g dB signal to noise | %.1f %% of %d random theatres, the interval %.1f dB wide | constructed recordings of A, B and both", snrDB, held, theatres, sum))
	}
}
