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

// Over many repetitions the 95 % intervals cover what the same estimate yields
// without noise 93…97 % of the time, give or take what the trials can tell.
func TestIntervalsCover(t *testing.T) {
	const window = 2048
	trials := 40
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		trials = 400
	}
	a := seattest.Path{Copies: []seattest.Copy{{DelayMs: 1, Gain: 0.5}}, LowHz: 100, HighHz: 9000}
	b := seattest.Path{Copies: []seattest.Copy{{DelayMs: 1.25, Gain: 0.4}}, LowHz: 200, HighHz: 12000}
	band := Band{300, 6000}
	account := func(rng *rand.Rand, n int, snrDB float64) *Ledger {
		measure := func(paths ...seattest.Path) *response.Spectra {
			ref, mic := seattest.RecordN(rng, n, 4096, snrDB, paths...)
			return seattest.Welch(ref, mic, window, paths[0].Copies[0].DelayMs)
		}
		l, err := Account(measure(a), measure(b), measure(a, b), Config{Band: band})
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	truth := account(rand.New(rand.NewPCG(0, 6)), 1<<20, 200)
	// Twice the standard deviation of a proportion of 0.95 in that many trials.
	slack := 2 * math.Sqrt(0.95*0.05/float64(trials))
	for _, snrDB := range []float64{3, 15} {
		covered := map[string]float64{}
		count := func(name string, low, truth, high float64) {
			if low <= truth && truth <= high {
				covered[name] += 1 / float64(trials)
			}
		}
		for trial := range trials {
			l := account(rand.New(rand.NewPCG(uint64(trial), 5)), 1<<16, snrDB)
			for i, row := range l.Rows {
				if row.Cause != Polarity { // exactly 0 here
					count(string(row.Cause), row.LowDB, truth.Rows[i].ChangeDB, row.HighDB)
				}
			}
			count("gain", l.GainLowDB, truth.GainOverLouderDB, l.GainHighDB)
			count("offset", l.OffsetMs-1.96*l.OffsetSDMs, truth.OffsetMs, l.OffsetMs+1.96*l.OffsetSDMs)
		}
		low, high := 1.0, 0.0
		for _, name := range []string{"level", "spectrum", "phase", "time", "rest", "gain", "offset"} {
			c := covered[name]
			low, high = min(low, c), max(high, c)
			if c < 0.93-slack || c > 0.97+slack {
				t.Errorf("%g dB signal to noise: the interval of %s covers %.1f %%, want 93…97 %%", snrDB, name, 100*c)
			}
		}
		t.Attr("truth", fmt.Sprintf("95 %% intervals of the ledger's rows cover the truth 93–97 %% of the time, at %g dB signal to noise | %.1f–%.1f %% over %d trials | simulation; Bendat and Piersol, Random Data, ch. 9, for the errors of H",
			snrDB, 100*low, 100*high, trials))
	}
}
