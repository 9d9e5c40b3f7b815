package response

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/reference"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// What so many segments of 4096 samples are worth, a hop apart.
func worth(t *testing.T, hop int, decay float64, segments int) float64 {
	t.Helper()
	b := newBand(&Config{SampleRateHz: 48000, Microphones: 1}, 4096, hop, 1, 0, 2049)
	var g group
	for range segments {
		b.count(&g, decay)
	}
	return g.averages()
}

// Welch 1967, in the limit of many segments: the first of 30,000 weighs 1e-4 at most.
func TestEffectiveAveragesTable(t *testing.T) {
	rows := 0
	for _, row := range reference.Table(t, "reference/welch_overlap.csv") {
		if row["window"] != "hann" {
			continue // this house has no other window
		}
		rows++
		hop := int(4096 * (1 - row.Number(t, "overlap_percent")/100))
		near(t, row["overlap_percent"]+" %", worth(t, hop, 1, 30000)/30000, row.Number(t, "n_eff_per_segment"), 1e-4)
	}
	if rows != 5 {
		t.Errorf("%d rows of the Hann window, want 5", rows)
	}
}

// The sum over all pairs of segments, written out: plain, exponential, and with some
// segments left out.
func TestEffectiveAveragesEqualsDoubleSum(t *testing.T) {
	b := newBand(&Config{SampleRateHz: 48000, Microphones: 1}, 256, 64, 1, 0, 129)
	r := rand.New(rand.NewPCG(10, 2))
	for _, how := range []struct{ decay, kept float64 }{{1, 1}, {0.95, 1}, {1, 0.6}} {
		for _, segments := range []int{1, 2, 3, 7, 40, 400} {
			var g group
			weights := make([]float64, segments)
			for i := range weights {
				if i > 0 && r.Float64() >= how.kept {
					g.taken <<= 1
					continue
				}
				b.count(&g, how.decay)
				weights[i] = math.Pow(how.decay, float64(segments-i))
			}
			sum, pairs := 0.0, 0.0
			for i, w := range weights {
				sum += w
				pairs += w * w
				for j, rho := range b.rho {
					if i > j {
						pairs += 2 * w * weights[i-1-j] * rho
					}
				}
			}
			near(t, "averages", g.averages(), sum*sum/pairs, 1e-9*sum*sum/pairs)
		}
	}
}

// The coherence of n averages is distributed as Carter, Knapp and Nuttall 1973 have it:
// the table's mean and percentiles, by integration of their density, within four standard
// errors of the draws.
func TestCoherenceDistribution(t *testing.T) {
	const draws = 4000
	r := rand.New(rand.NewPCG(1973, 1))
	for _, row := range reference.Table(t, "reference/coherence_statistics.csv") {
		n, c := row.Number(t, "n_averages"), row.Number(t, "true_coherence")
		if n > 64 {
			continue // as good as normal, and long to draw
		}
		what := "n = " + row["n_averages"] + ", C = " + row["true_coherence"]
		s := few(r, draws, int(n), math.Sqrt(c), 1-c)
		var mean, square float64
		columns := map[string]float64{"p05": 0.05, "median": 0.5, "p95": 0.95}
		surely, perhaps := map[string]float64{}, map[string]float64{} // below what the table rounds
		for k := range draws {
			g := s.Coherence(k)
			mean, square = mean+g/draws, square+g*g/draws
			for column := range columns {
				if g <= row.Number(t, column)-0.5e-4 {
					surely[column] += 1.0 / draws
				}
				if g <= row.Number(t, column)+0.5e-4 {
					perhaps[column] += 1.0 / draws
				}
			}
		}
		near(t, what+": mean", mean, row.Number(t, "mean"), 4*math.Sqrt((square-mean*mean)/draws)+1e-5)
		for column, p := range columns {
			if e := 4 * math.Sqrt(p*(1-p)/draws); surely[column] > p+e || perhaps[column] < p-e {
				t.Errorf("%s: %.4f…%.4f lie below %s, want %.2f ± %.4f", what, surely[column], perhaps[column], column, p, e)
			}
		}
	}
}
