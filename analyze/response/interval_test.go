package response

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"plumbline/analyze/internal/truth"
)

// coverage is how often, in per cent, intervals held the truth.
type coverage struct {
	magnitude, phase float64
	trusted          float64 // unrelated channels above the threshold, per cent
}

// trial is one way to measure.
type trial struct {
	name    string
	cfg     Config
	seconds float64
	gated   bool // the programme pauses, in the upper half of the band or all of it, and samples are lost
}

// cover estimates the response between noise and microphones of the given
// coherences, and one that is unrelated, runs times, and returns the coverage
// within each of the bands, whose edges are given, for each microphone. Magnitude
// and phase of the path are those of the filter 1 + 0.3 z⁻¹, 9.4 samples late.
func (tr trial) cover(t *testing.T, coherences []float64, runs int, edges []float64) [][]coverage {
	t.Helper()
	const late, gain = 9, 0.3
	cfg := tr.cfg
	cfg.Microphones = len(coherences) + 1
	e, err := NewEstimator(cfg)
	if err != nil {
		t.Fatal(err)
	}
	for m := range cfg.Microphones {
		if err := e.SetDelay(m, (late+0.4)/cfg.SampleRateHz); err != nil {
			t.Fatal(err)
		}
	}
	n := int(tr.seconds * cfg.SampleRateHz)
	ref, noise := make([]float64, n), make([]float64, n)
	mics := make([][]float64, cfg.Microphones)
	part := make([][]float64, cfg.Microphones)
	for m := range mics {
		mics[m] = make([]float64, n)
	}
	result := make([][]coverage, len(edges)-1)
	points := make([]float64, len(edges)-1)
	for b := range result {
		result[b] = make([]coverage, cfg.Microphones)
	}
	var s Spectra
	var c Curve
	r := rand.New(rand.NewPCG(uint64(n), 11))
	for range runs {
		for i := range ref {
			ref[i], noise[i] = r.NormFloat64(), r.NormFloat64()
		}
		if tr.gated {
			gate(ref, cfg.SampleRateHz, r)
		}
		path := func(x []float64, i int) float64 { return x[i-late] + gain*x[i-late-1] }
		for i := late + 1; i < n; i++ {
			direct, other := path(ref, i), path(noise, i)
			for m, g := range coherences {
				mics[m][i] = direct + math.Sqrt((1-g)/g)*other
			}
			mics[len(coherences)][i] = other
		}
		e.Break()
		e.Reset()
		for from := 0; from < n; {
			to := n
			if tr.gated {
				to = min(n, from+n/5+r.IntN(n/5))
			}
			for m := range mics {
				part[m] = mics[m][from:to]
			}
			e.Feed(ref[from:to], part)
			if tr.gated {
				e.Break()
			}
			from = to
		}
		for m := range mics {
			e.Spectra(m, &s)
			s.Curve(&c)
			for i, f := range c.FrequencyHz {
				b := sort.SearchFloat64s(edges, f) - 1
				if b < 0 || b >= len(result) {
					continue
				}
				w := 2 * math.Pi * f / cfg.SampleRateHz
				re, im := 1+gain*math.Cos(w), -gain*math.Sin(w)
				db := 10 * math.Log10(re*re+im*im)
				deg := (math.Atan2(im, re) + 0.4*w) * 180 / math.Pi // after the compensation of 9.4
				if m == 0 {
					points[b]++
				}
				p := &result[b][m]
				if c.MagnitudeLowDB[i] <= db && db <= c.MagnitudeHighDB[i] {
					p.magnitude++
				}
				if math.Abs(math.Remainder(c.PhaseDeg[i]-deg, 360)) <= c.PhaseErrorDeg[i] {
					p.phase++
				}
				if c.Coherence[i] > c.Threshold[i] {
					p.trusted++
				}
			}
		}
	}
	for b := range result {
		for m := range result[b] {
			p := &result[b][m]
			p.magnitude, p.phase, p.trusted = 100*p.magnitude/points[b], 100*p.phase/points[b], 100*p.trusted/points[b]
		}
	}
	return result
}

// gate makes programme of noise: it pauses for 0.3…1.3 s, now and then only
// above a quarter of the band.
func gate(x []float64, rateHz float64, r *rand.Rand) {
	for i := 0; i < len(x); {
		i += int((0.5 + 1.5*r.Float64()) * rateHz)
		pause := min(len(x), i+int((0.3+r.Float64())*rateHz))
		partly := r.IntN(2) == 0
		low := 0.0
		for ; i < pause; i++ {
			low += 0.2 * (x[i] - low)
			x[i] = 0
			if partly {
				x[i] = low
			}
		}
	}
}

// Of the 95 % intervals, 93–97 % hold the truth: over coherence, overlap,
// averaging, fixed and multi-resolution windows, with pauses and lost samples,
// at the low, middle and high end of the grid. Of unrelated channels, about 1 %
// pass for related.
func TestIntervalsHoldTheTruth(t *testing.T) {
	coherences := []float64{0.2, 0.5, 0.8, 0.95, 0.99}
	var trials []trial
	for _, window := range []int{256, 0} {
		for _, overlap := range []float64{0.5, 0.75} {
			for _, mode := range []AveragingMode{Infinite, Exponential} {
				tr := trial{seconds: 9, cfg: Config{SampleRateHz: 8000, Window: window, Overlap: overlap,
					Averaging: Averaging{Mode: mode, TimeConstantS: 3}}}
				if window != 0 {
					tr.seconds, tr.cfg.Averaging.TimeConstantS = 0.4, 0.15
				}
				tr.name = fmt.Sprintf("window %d, overlap %v, averaging %d", window, overlap, mode)
				trials = append(trials, tr)
			}
		}
	}
	gated := trials[len(trials)-2] // multi-resolution, plain
	gated.name, gated.gated, gated.seconds = gated.name+", with pauses", true, 20
	trials = append(trials, gated)
	low, high, lowTrust, highTrust := 100.0, 0.0, 100.0, 0.0
	for _, tr := range trials {
		edges, runs := []float64{20, 3600}, 10
		if truth.Thorough {
			edges, runs = []float64{20, 100, 600, 3600}, 250
		}
		if tr.cfg.Window != 0 {
			edges = append([]float64{100}, edges[1+(len(edges)-2)/2:]...) // from the third bin on
			runs *= 5
		}
		for b, found := range tr.cover(t, coherences, runs, edges) {
			for m, c := range found {
				what := fmt.Sprintf("%s, %v…%v Hz", tr.name, edges[b], edges[b+1])
				if m == len(coherences) {
					lowTrust, highTrust = min(lowTrust, c.trusted), max(highTrust, c.trusted)
					t.Logf("%s, unrelated: %.2f %% trusted", what, c.trusted)
					if c.trusted > 1.5 {
						t.Errorf("%s: %.2f %% of unrelated channels are trusted", what, c.trusted)
					}
					continue
				}
				what += fmt.Sprintf(", coherence %v", coherences[m])
				t.Logf("%s: magnitude %.2f %%, phase %.2f %%", what, c.magnitude, c.phase)
				low, high = min(low, c.magnitude, c.phase), max(high, c.magnitude, c.phase)
				if min(c.magnitude, c.phase) < 93 || max(c.magnitude, c.phase) > 97 {
					t.Errorf("%s: magnitude covered in %.2f %%, phase in %.2f %%", what, c.magnitude, c.phase)
				}
			}
		}
	}
	const source = "Bendat and Piersol, Random Data, 4th ed., ch. 9; Monte Carlo"
	truth.Claim(t, "95 % intervals cover the truth, least of all cases: ≥ 93 %", source,
		fmt.Sprintf("%.1f %%", low), truth.AtLeast(low, "93"))
	truth.Claim(t, "95 % intervals cover the truth, most of all cases: ≤ 97 %", source,
		fmt.Sprintf("%.1f %%", high), truth.AtMost(high, "97"))
	truth.Claim(t, "unrelated channels trusted, most of all cases: 1 %", "Carter, Knapp and Nuttall 1973; Monte Carlo",
		fmt.Sprintf("%.2f %%", highTrust), truth.AtMost(highTrust-0.3, "1"))
	truth.Claim(t, "unrelated channels trusted, least of all cases: 1 %", "Carter, Knapp and Nuttall 1973; Monte Carlo",
		fmt.Sprintf("%.2f %%", lowTrust), truth.AtLeast(lowTrust+0.3, "1"))
}
