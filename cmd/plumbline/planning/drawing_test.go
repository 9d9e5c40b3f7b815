package planning

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/response"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// drawnAt is what a page draws of a seat: magnitudes as ratios, with the half
// widths of their intervals.
type drawnAt struct{ level, half [4][]float64 }

var drawnNames = [4]string{"A", "B", "both", "predicted"}

// pageOf draws the ribbons of a seat as the page does: the predicted sum's error is
// that of both together, and a power mean over several points has theirs, with
// their correlation, less the power that the errors add on average.
func pageOf(a, b, both *response.Spectra, fraction float64) (page drawnAt) {
	d := newDrawing(a)
	A, B, C := d.response(a, 0), d.response(b, b.DelayS-a.DelayS), d.sum(both, both.DelayS-a.DelayS)
	n := len(d.frequencyHz)
	at := func(c wire.Complex, i int) (complex128, float64) {
		h := complex(float64(c.Re[i]), float64(c.Im[i]))
		return h, float64(c.Error[i]) * cmplx.Abs(h)
	}
	var levels, errors [4][]float64
	for i := range n {
		ha, ea := at(A, i)
		hb, eb := at(B, i)
		hc, ec := at(C, i)
		for k, h := range [4]complex128{ha, hb, hc, ha + hb} {
			levels[k] = append(levels[k], cmplx.Abs(h))
			errors[k] = append(errors[k], [4]float64{ea, eb, ec, math.Hypot(ea, eb)}[k])
		}
	}
	reach := math.Exp2(0.5/fraction) * (1 - 1e-9)
	for k := range levels {
		for i, f := range d.frequencyHz {
			sum, spread, bias, count := 0.0, 0.0, 0.0, 0.0
			from := i
			for from > 0 && d.frequencyHz[from-1] >= f/reach {
				from--
			}
			to := from
			for ; to < n && (to <= i || d.frequencyHz[to] < f*reach); to++ {
				count++
			}
			for j := from; j < to; j++ {
				sum += levels[k][j] * levels[k][j]
				bias += 2 * math.Pow(errors[k][j]/1.96, 2) * (1 - 1/count)
				spread += math.Pow(levels[k][j]*errors[k][j], 2) * (1 + (float64(d.correlation[j])-1)*(1-1/count))
			}
			level := math.Sqrt(max(0, sum-bias) / count)
			page.level[k] = append(page.level[k], level)
			page.half[k] = append(page.half[k], math.Sqrt(spread)/count/level)
		}
	}
	return page
}

// Over many repetitions the ribbons of the page cover what the same estimate
// yields without noise 93…97 % of the time, as fine as they come and smoothed,
// over the band of both loudspeakers.
func TestRibbonsCover(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	const window, trials, frames = 4096, 30, 1 << 16
	// Firsts and a reflection each; B 29 samples later than A.
	a, b := []float64{0: 0.5, 60: 0.2}, []float64{29: 0.4, 100: -0.15}
	measure := func(rng *rand.Rand, frames int, noise float64, paths ...[]float64) *response.Spectra {
		e, err := response.NewEstimator(response.Config{SampleRateHz: testRate, Window: window, Averaging: response.Averaging{Mode: response.Infinite}})
		if err != nil {
			t.Fatal(err)
		}
		ref, mic := make([]float64, frames), make([]float64, frames)
		for i := range ref {
			ref[i] = rng.NormFloat64()
		}
		for i := range mic {
			mic[i] = noise * rng.NormFloat64()
			for _, p := range paths {
				for d, g := range p {
					if g != 0 && i >= d {
						mic[i] += g * ref[i-d]
					}
				}
			}
		}
		e.Feed(ref, [][]float64{mic})
		s := new(response.Spectra)
		e.Spectra(0, s)
		return s
	}
	rng := rand.New(rand.NewPCG(4, 4))
	truth := [3]*response.Spectra{measure(rng, 1<<19, 0, a), measure(rng, 1<<19, 0, b), measure(rng, 1<<19, 0, a, b)}
	fractions := [2]float64{48, 6}
	frequencyHz := newDrawing(truth[0]).frequencyHz
	least, most := 100.0, 0.0
	for _, noise := range []float64{0.15, 0.5} {
		var inside, all [len(fractions)][4]float64
		for trial := range trials {
			rng := rand.New(rand.NewPCG(uint64(trial), 9))
			got := [3]*response.Spectra{measure(rng, frames, noise, a), measure(rng, frames, noise, b), measure(rng, frames, noise, a, b)}
			for n, fraction := range fractions {
				want, got := pageOf(truth[0], truth[1], truth[2], fraction), pageOf(got[0], got[1], got[2], fraction)
				for k := range got.level {
					for i, level := range got.level[k] {
						if f := frequencyHz[i]; f < 100 || f > 16000 {
							continue
						}
						all[n][k]++
						if math.Abs(level-want.level[k][i]) <= got.half[k][i] {
							inside[n][k]++
						}
					}
				}
			}
		}
		for n, fraction := range fractions {
			for k, name := range drawnNames {
				covered := 100 * inside[n][k] / all[n][k]
				least, most = min(least, covered), max(most, covered)
				if covered < 93 || covered > 97 {
					t.Errorf("1/%g octave, noise of %g: the ribbon of %s covers %.1f %%, want 93…97 %%", fraction, noise, name, covered)
				}
			}
		}
	}
	t.Attr("truth", fmt.Sprintf("95 %% ribbons of A, B, both and the predicted sum cover the truth 93–97 %% of the time, at 1/48 and 1/6 octave | %.1f–%.1f %% over %d trials at 0 and 11 dB signal to noise | simulation; Bendat and Piersol, Random Data, ch. 9, for the errors of H", least, most, trials))
}
