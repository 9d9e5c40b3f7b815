package statistics

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/mjibson/go-dsp/window"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/analyze/internal/reference"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// Carter, Knapp and Nuttall 1973: mean and percentiles by integration of their
// density. Tolerances are the table's last digit, for percentiles times the
// density there.
func TestCoherenceDistribution(t *testing.T) {
	for _, row := range reference.Table(t, "reference/coherence_statistics.csv") {
		n, c := row.Number(t, "n_averages"), row.Number(t, "true_coherence")
		what := "n = " + row["n_averages"] + ", C = " + row["true_coherence"]
		near(t, what+": mean", CoherenceMean(c, n), row.Number(t, "mean"), 0.6e-5)
		for column, p := range map[string]float64{"p05": 0.05, "median": 0.5, "p95": 0.95} {
			g := row.Number(t, column)
			slope := (CoherenceCDF(g+1e-4, c, n) - CoherenceCDF(g-1e-4, c, n)) / 2e-4
			near(t, what+": CDF at "+column, CoherenceCDF(g, c, n), p, 0.6e-4*slope+1e-9)
		}
	}
}

// n = 16, C = 0.5: P(g < 0.6) = 0.738 by Carter's series.
func TestCoherenceCDFWorkedValue(t *testing.T) {
	near(t, "P(g < 0.6)", CoherenceCDF(0.6, 0.5, 16), 0.738, 0.0005)
}

// Carter's series for whole n:
//
//	P(g≤x) = x [(1−C)/(1−Cx)]^n Σ_{k=0..n−2} [(1−x)/(1−Cx)]^k 2F1(−k,1−n;1;Cx)
func TestCoherenceCDFEqualsSeries(t *testing.T) {
	for _, n := range []int{2, 5, 12, 30} {
		for _, c := range []float64{0.05, 0.4, 0.8, 0.97} {
			for _, x := range []float64{0.1, 0.5, 0.9} {
				sum := 0.0
				for k := range n - 1 {
					f, term := 0.0, 1.0
					for i := 0; i <= k; i++ {
						f += term
						term *= float64(i-k) * float64(i+1-n) / float64((i+1)*(i+1)) * c * x
					}
					sum += math.Pow((1-x)/(1-c*x), float64(k)) * f
				}
				want := x * math.Pow((1-c)/(1-c*x), float64(n)) * sum
				near(t, "CDF", CoherenceCDF(x, c, float64(n)), want, 1e-11)
			}
		}
	}
}

// A number of averages that is not whole lies between its neighbours.
func TestCoherenceCDFBetweenWholeAverages(t *testing.T) {
	for _, c := range []float64{0, 0.3, 0.9} {
		low, mid, high := CoherenceCDF(0.5, c, 7), CoherenceCDF(0.5, c, 7.5), CoherenceCDF(0.5, c, 8)
		if !(low < mid && mid < high) && !(low > mid && mid > high) {
			t.Errorf("C = %v: %v, %v, %v", c, low, mid, high)
		}
	}
}

// Bendat and Piersol, 4th ed., 8.158…8.163; Goodman's threshold.
func TestAveragingTable(t *testing.T) {
	for _, row := range reference.Table(t, "reference/averaging_confidence.csv") {
		n := row.Number(t, "n_averages")
		low, high := SpectrumInterval(n, 0.95)
		near(t, "lower dB", 10*math.Log10(low), row.Number(t, "ci95_lower_db"), 0.0051)
		near(t, "upper dB", 10*math.Log10(high), row.Number(t, "ci95_upper_db"), 0.0051)
		near(t, "threshold 90 %", CoherenceThreshold(n, 0.10), row.Number(t, "coherence_threshold_90"), 0.51e-4)
		near(t, "threshold 95 %", CoherenceThreshold(n, 0.05), row.Number(t, "coherence_threshold_95"), 0.51e-4)
		near(t, "threshold 99 %", CoherenceThreshold(n, 0.01), row.Number(t, "coherence_threshold_99"), 0.51e-4)
	}
}

// Bendat and Piersol, 4th ed., Table 9.6, in its exact form for n averages:
// Deviation is t times that.
func TestRandomErrorTable(t *testing.T) {
	for _, row := range reference.Table(t, "reference/frf_random_error.csv") {
		n, g := row.Number(t, "n_averages"), row.Number(t, "coherence")
		eps := row.Number(t, "eps_mag_exact_n_minus_1")
		student := distuv.StudentsT{Sigma: 1, Nu: 2*n - 2}.Quantile(0.975)
		near(t, "deviation", Deviation(g, n), student*eps, student*0.51e-5+1e-5*student*eps)
	}
}

// The circle holds both components, each t-distributed: its radius is
// sqrt(2 F(2, 2n−2)) of their standard errors.
func TestCircleEqualsQuantileOfF(t *testing.T) {
	for _, n := range []float64{2, 3.7, 16, 250} {
		f := distuv.F{D1: 2, D2: 2*n - 2}
		want := math.Sqrt(f.Quantile(0.95) / (n - 1) * (1 - 0.6) / 0.6)
		near(t, "radius", Circle(0.6, n, 0.95), want, 1e-9*want)
	}
}

func TestStudentTable(t *testing.T) {
	for v := 0.5; v < 3000; v *= 1.037 {
		want := distuv.StudentsT{Sigma: 1, Nu: v}.Quantile(0.975)
		near(t, "quantile", student975(v)/want, 1, 2e-6)
	}
	if !math.IsInf(student975(0.3), 1) || !math.IsInf(student975(math.NaN()), 1) {
		t.Error("below half a degree nothing is known")
	}
}

// Welch 1967, in the limit of many segments.
func TestEffectiveAveragesTable(t *testing.T) {
	windows := map[string][]float64{
		"rectangular": window.Rectangular(4096),
		"hann":        window.Hann(4097)[:4096],
		"hamming":     window.Hamming(4097)[:4096],
		"blackman":    window.Blackman(4097)[:4096],
		"flattop5":    window.FlatTop(4097)[:4096],
	}
	for _, row := range reference.Table(t, "reference/welch_overlap.csv") {
		w := windows[row["window"]]
		if w == nil {
			continue // the library has no Blackman-Harris window
		}
		hop := int(4096 * (1 - row.Number(t, "overlap_percent")/100))
		rho := Correlations(w, hop)
		if len(rho) > 0 {
			near(t, row["window"]+" rho_1", math.Sqrt(rho[0]), math.Abs(row.Number(t, "rho_1")), 1e-4)
		}
		// The library's flat top is rounded to other digits than the table's.
		near(t, row["window"]+" n_eff", EffectiveAverages(rho, 1e7)/1e7, row.Number(t, "n_eff_per_segment"), 1.1e-4)
	}
}

// The sum over all pairs of segments, written out.
func TestEffectiveAveragesEqualsDoubleSum(t *testing.T) {
	rho := Correlations(window.Hann(257)[:256], 64)
	variance := func(weights []float64) float64 {
		sum, square := 0.0, 0.0
		for i, a := range weights {
			sum += a
			for j, b := range weights {
				switch d := max(i-j, j-i); {
				case d == 0:
					square += a * b
				case d <= len(rho):
					square += a * b * rho[d-1]
				}
			}
		}
		return sum * sum / square
	}
	for _, k := range []int{1, 2, 3, 7, 40} {
		plain := make([]float64, k)
		for i := range plain {
			plain[i] = 1
		}
		near(t, "plain", EffectiveAverages(rho, k), variance(plain), 1e-9)
	}
	exponential := make([]float64, 2000)
	for i := range exponential {
		exponential[i] = math.Pow(0.95, float64(i))
	}
	near(t, "exponential", EffectiveAveragesExponential(rho, 0.95), variance(exponential), 1e-9)
}

func TestUnbiasedCoherenceUndoesBias(t *testing.T) {
	for _, n := range []float64{2, 5.5, 40} {
		for _, c := range []float64{0, 0.1, 0.5, 0.95} {
			near(t, "coherence", UnbiasedCoherence(CoherenceMean(c, n), n), c, 1e-6)
		}
	}
	near(t, "below the mean of noise", UnbiasedCoherence(0.05, 10), 0, 0)
}

// draw estimates H = 1 at coherence c from n averages of Gaussian data.
func draw(r *rand.Rand, n int, c float64) (h complex128, g float64) {
	noise := math.Sqrt((1 - c) / c)
	var gxx, gyy float64
	var gxy complex128
	for range n {
		x := complex(r.NormFloat64(), r.NormFloat64())
		y := x + complex(noise*r.NormFloat64(), noise*r.NormFloat64())
		gxx += real(x)*real(x) + imag(x)*imag(x)
		gyy += real(y)*real(y) + imag(y)*imag(y)
		gxy += complex(real(x), -imag(x)) * y
	}
	return gxy / complex(gxx, 0), (real(gxy)*real(gxy) + imag(gxy)*imag(gxy)) / (gxx * gyy)
}

// Of 95 % intervals, 93–97 % hold the truth, down to three averages and a
// coherence of 0.2; the circle does too, and would not do for its parts.
func TestIntervalsCoverTheTruth(t *testing.T) {
	const trials = 8000 // standard error of a coverage 0.24 %
	r := rand.New(rand.NewPCG(3, 1))
	for _, n := range []int{3, 4, 8, 16, 64} {
		for _, c := range []float64{0.2, 0.5, 0.8, 0.95, 0.99} {
			var magnitude, phase, circle float64
			for range trials {
				h, g := draw(r, n, c)
				abs, arg := math.Hypot(real(h), imag(h)), math.Atan2(imag(h), real(h))
				low, high := MagnitudeInterval(g, float64(n))
				if abs*low <= 1 && 1 <= abs*high {
					magnitude++
				}
				if math.Abs(arg) <= PhaseInterval(g, float64(n)) {
					phase++
				}
				if math.Hypot(real(h)-1, imag(h)) <= abs*Circle(g, float64(n), 0.95) {
					circle++
				}
			}
			for what, hits := range map[string]float64{"magnitude": magnitude, "phase": phase, "circle": circle} {
				if p := hits / trials; p < 0.93 || p > 0.97 {
					t.Errorf("n = %d, C = %v: %s covered in %.2f %%", n, c, what, 100*p)
				}
			}
		}
	}
}

func TestNothingKnown(t *testing.T) {
	for _, n := range []float64{0, 1, math.NaN()} {
		low, high := MagnitudeInterval(0.9, n)
		if low != 0 || !math.IsInf(high, 1) || PhaseInterval(0.9, n) != math.Pi || CoherenceThreshold(n, 0.01) != 1 {
			t.Errorf("n = %v claims to know something", n)
		}
	}
	if low, high := MagnitudeInterval(0, 50); low != 0 || !math.IsInf(high, 1) {
		t.Error("coherence 0 claims to know something")
	}
	if low, high := MagnitudeInterval(1, 50); low != 1 || high != 1 {
		t.Error("coherence 1 is exact")
	}
}

func BenchmarkMagnitudeInterval(b *testing.B) {
	MagnitudeInterval(0.5, 8)
	for b.Loop() {
		MagnitudeInterval(0.7, 13.3)
	}
}
