package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
)

// Bendat and Piersol, Random Data, 4th ed., Problem 7.2: the closed form of two
// correlated inputs.
func TestTwoInputsAreTheClosedForm(t *testing.T) {
	value := map[string]complex128{}
	for _, row := range reference.Table(t, "reference/two_input_example.csv") {
		im := 0.0
		if row["imag"] != "" {
			im = row.Number(t, "imag")
		}
		value[row["quantity"]] = complex(row.Number(t, "real"), im)
	}
	load := func() *spectral {
		s := newSpectral(2)
		var sums [][]complex128
		for _, name := range []string{"G11", "G12", "G1y", "G22", "G2y", "Gyy"} {
			sums = append(sums, []complex128{value[name]})
		}
		s.load(sums, 0)
		return s
	}
	near := func(what string, got, want complex128) {
		t.Helper()
		if cmplx.Abs(got-want) > 0.51e-10*(1+cmplx.Abs(want)) { // the digits that the file has
			t.Errorf("%s = %v, want %v", what, got, want)
		}
	}
	partial := func(c cell) complex128 { return complex((c.re*c.re+c.im*c.im)/(c.xx*c.yy), 0) }
	h := make([]complex128, 2)
	load().predict(h, 2, 2) // by all of them
	for p, path := range []struct{ h, own, rest, coherence string }{
		{"H1y", "G11.2", "Gyy.2", "partial_coherence_1y.2_classical"},
		{"H2y", "G22.1", "Gyy.1", "partial_coherence_2y.1_classical"},
	} {
		c, taken := load().path(p)
		near(path.h, complex(c.re/c.xx, c.im/c.xx), value[path.h])
		near(path.h+" by substitution", h[p], value[path.h])
		near(path.own, complex(c.xx, 0), value[path.own])
		near(path.rest, complex(c.yy, 0), value[path.rest])
		near(path.coherence, partial(c), value[path.coherence])
		if taken != 1 {
			t.Errorf("%d averages for one other reference", taken)
		}
		if p == 1 {
			near("G2y.1", complex(c.re, c.im), value["G2y.1"])
		}
	}
	all, _ := load().all()
	near("multiple coherence", partial(all), value["multiple_coherence"])
	near("noise", complex(all.yy-all.xx, 0), value["output_noise_Gnn"])
}

// jointChannels are those of testdata/scripts/multi_input.py.
func jointChannels(references int) (x [][]float64, y []float64) {
	const n = 20000
	common, hiss := congruential(n, 100), congruential(n, 99)
	y = make([]float64, n)
	for i := range y {
		y[i] = 0.3 * hiss[i]
	}
	for p := range references {
		own := congruential(n, uint32(101+p))
		for i := range own {
			own[i] += 1.5 * common[i]
		}
		lag, gain := 3+4*p, 1/float64(1+p)
		if p&1 == 1 {
			gain = -gain
		}
		for i := lag; i < n; i++ {
			y[i] += gain * own[i-lag]
			if i > lag {
				y[i] += 0.25 * gain * own[i-lag-1]
			}
		}
		x = append(x, own)
	}
	return x, y
}

// Two, three and eight references under a fixed window are numpy.linalg.solve of what
// scipy.signal.csd makes of them, to 1e-9, and so are partial and multiple coherence.
func TestJointEqualsNumPy(t *testing.T) {
	const tolerance = 1e-9
	type setting struct{ references, window, overlap float64 }
	type made struct {
		paths    []Spectra
		multiple []float64
	}
	all := map[setting]*made{}
	worst := 0.0
	for _, row := range reference.Table(t, "reference/multi_input.csv") {
		key := setting{row.Number(t, "references"), row.Number(t, "window"), row.Number(t, "noverlap")}
		m := all[key]
		if m == nil {
			q := int(key.references)
			j, err := NewJoint(Config{SampleRateHz: 48000, Window: int(key.window), Overlap: key.overlap / key.window, EverySegment: true}, q)
			if err != nil {
				t.Fatal(err)
			}
			x, y := jointChannels(q)
			part := make([][]float64, q)
			for from := 0; from < len(y); from += 777 {
				to := min(from+777, len(y))
				for p := range part {
					part[p] = x[p][from:to]
				}
				j.Feed(part, y[from:to])
			}
			m = &made{paths: make([]Spectra, q), multiple: j.Multiple(nil)}
			for p := range m.paths {
				j.Spectra(p, &m.paths[p])
			}
			all[key] = m
		}
		k, s := int(row.Number(t, "bin")), &m.paths[int(row.Number(t, "path"))]
		want := complex(row.Number(t, "h_re"), row.Number(t, "h_im"))
		for _, off := range []float64{
			cmplx.Abs(s.H(k)-want) / max(1, cmplx.Abs(want)), math.Abs(s.Coherence(k) - row.Number(t, "coherence")),
			math.Abs(m.multiple[k] - row.Number(t, "multiple")),
		} {
			if worst = max(worst, off); !(off <= tolerance) {
				t.Fatalf("%v, bin %d, path %s: off by %.3g", key, k, row["path"], off)
			}
		}
	}
	truth.Claim(t, "two, three and eight references against numpy.linalg.solve of the same spectra: 1e-9", "numpy 1.24.2 and scipy 1.10.1, testdata/reference/multi_input.csv",
		fmt.Sprintf("%.1e", worst), truth.AtMost(worst, "1e-9"))
}

// alikeNoise is noise of mutual coherence c between each two of the references.
func alikeNoise(r *rand.Rand, references, n int, c float64) [][]float64 {
	x := make([][]float64, references)
	for p := range x {
		x[p] = make([]float64, n)
	}
	// √c of the power common makes |Gij|²/(Gii Gjj) = c.
	common, own := math.Sqrt(math.Sqrt(c)), math.Sqrt(1-math.Sqrt(c))
	for i := range n {
		v := common * r.NormFloat64()
		for p := range x {
			x[p][i] = v + own*r.NormFloat64()
		}
	}
	return x
}

// throughPaths is what a microphone hears of the references through a path of a few
// taps each, gain[p] strong and lag[p] samples late, and noise; h are the paths re
// their delay.
func throughPaths(r *rand.Rand, x [][]float64, lag []int, noise float64) (y []float64, h []func(hz, rate float64) complex128) {
	y = make([]float64, len(x[0]))
	for i := range y {
		y[i] = noise * r.NormFloat64()
	}
	for p := range x {
		taps := [3]float64{1, 0.5 * r.NormFloat64(), 0.3 * r.NormFloat64()}
		at := [3]int{0, 1 + r.IntN(4), 5 + r.IntN(5)}
		if r.IntN(2) == 0 {
			taps[0] = -1
		}
		for k, gain := range taps {
			for i := lag[p] + at[k]; i < len(y); i++ {
				y[i] += gain * x[p][i-lag[p]-at[k]]
			}
		}
		h = append(h, func(hz, rate float64) complex128 {
			sum := complex(0, 0)
			for k, gain := range taps {
				sum += complex(gain, 0) * cmplx.Rect(1, -2*math.Pi*hz*float64(at[k])/rate)
			}
			return sum
		})
	}
	return y, h
}

// covered counts how many of the points of all paths that are known have the truth
// within their interval, in magnitude and in phase.
type covered struct{ points, magnitude, phase, blank int }

func (c *covered) count(s *Spectra, h func(hz, rate float64) complex128, rate float64, lowHz, highHz float64) {
	var curve Curve
	s.Curve(&curve)
	for k, f := range curve.FrequencyHz {
		if f < lowHz || f > highHz {
			continue
		}
		if math.IsNaN(curve.MagnitudeDB[k]) {
			c.blank++
			continue
		}
		c.points++
		db := 20 * math.Log10(cmplx.Abs(h(f, rate)))
		if curve.MagnitudeLowDB[k] <= db && db <= curve.MagnitudeHighDB[k] {
			c.magnitude++
		}
		off := cmplx.Phase(s.H(k)/h(f, rate)) * 180 / math.Pi
		if math.Abs(off) <= curve.PhaseErrorDeg[k] {
			c.phase++
		}
	}
}

func (c *covered) percent() (magnitude, phase float64) {
	return 100 * float64(c.magnitude) / float64(c.points), 100 * float64(c.phase) / float64(c.points)
}

// playJoint averages references of mutual coherence c through random paths.
func playJoint(t testing.TB, seed uint64, references int, c, seconds float64, window int) (j *Joint, h []func(hz, rate float64) complex128) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 0x6a6f696e74))
	x := alikeNoise(r, references, int(seconds*programmeRate), c)
	lag := make([]int, references)
	for p := range lag {
		lag[p] = 20 + r.IntN(600)
	}
	y, h := throughPaths(r, x, lag, 0.5)
	j, err := NewJoint(Config{SampleRateHz: programmeRate, Window: window}, references)
	if err != nil {
		t.Fatal(err)
	}
	for p := range lag {
		if err := j.SetDelay(p, float64(lag[p])/programmeRate); err != nil {
			t.Fatal(err)
		}
	}
	j.Feed(x, y)
	return j, h
}

// Of 95 % intervals of each path, 93–97 % hold the truth, whatever the references have
// in common.
func TestIntervalsOfPathsCoverTheTruth(t *testing.T) {
	trials, counts, alike := 3, []int{3}, []float64{0.9}
	if truth.Thorough {
		trials, counts, alike = 12, []int{2, 4, 8}, []float64{0, 0.5, 0.9, 0.95}
	}
	low, high := 100.0, 0.0
	for _, c := range alike {
		for _, references := range counts {
			all := make([]covered, trials)
			truth.Trials(trials, func(i int) {
				j, h := playJoint(t, truth.From+uint64(1000*references+i), references, c, 24, 0)
				var s Spectra
				for p := range h {
					j.Spectra(p, &s)
					all[i].count(&s, h[p], programmeRate, 40, 6000)
				}
			})
			sum := covered{}
			for _, one := range all {
				sum.points += one.points
				sum.magnitude += one.magnitude
				sum.phase += one.phase
				sum.blank += one.blank
			}
			magnitude, phase := sum.percent()
			low, high = min(low, magnitude, phase), max(high, magnitude, phase)
			t.Logf("%d references of mutual coherence %v: magnitude %.2f %%, phase %.2f %% of %d points, %d blank", references, c, magnitude, phase, sum.points, sum.blank)
			if magnitude < 92 || magnitude > 98 || phase < 92 || phase > 98 { // of some thousand points, neighbours alike
				t.Errorf("%d references of mutual coherence %v: intervals hold the truth in %.1f %% and %.1f %%", references, c, magnitude, phase)
			}
		}
	}
	if truth.Thorough {
		truth.Claim(t, "intervals of the paths of 2, 4 and 8 loudspeakers that all play noise of mutual coherence 0, 0.5, 0.9 and 0.95: 93…97 % hold the truth", "truth of the simulation",
			fmt.Sprintf("%.1f…%.1f %%", low, high), truth.AtLeast(low, "93"), truth.AtMost(high, "97"))
	}
}
