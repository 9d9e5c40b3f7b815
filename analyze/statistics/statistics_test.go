package statistics

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/analyze/internal/reference"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// Goodman's threshold.
func TestThresholdTable(t *testing.T) {
	for _, row := range reference.Table(t, "reference/averaging_confidence.csv") {
		n := row.Number(t, "n_averages")
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

func TestStudentTable(t *testing.T) {
	for v := 0.5; v < 3000; v *= 1.037 {
		want := distuv.StudentsT{Sigma: 1, Nu: v}.Quantile(0.975)
		near(t, "quantile", student975(v)/want, 1, 2e-6)
	}
	if !math.IsInf(student975(0.3), 1) || !math.IsInf(student975(math.NaN()), 1) {
		t.Error("below half a degree nothing is known")
	}
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

// Of 95 % intervals, 93–97 % hold the truth, of magnitude and phase, down to three
// averages and a coherence of 0.2.
func TestIntervalsCoverTheTruth(t *testing.T) {
	const trials = 8000 // standard error of a coverage 0.24 %
	r := rand.New(rand.NewPCG(3, 1))
	for _, n := range []int{3, 4, 8, 16, 64} {
		for _, c := range []float64{0.2, 0.5, 0.8, 0.95, 0.99} {
			var magnitude, phase float64
			for range trials {
				h, g := draw(r, n, c)
				d := Deviation(g, float64(n))
				if abs := cmplx.Abs(h); abs*(1-d) <= 1 && 1 <= abs*(1+d) {
					magnitude++
				}
				if math.Abs(cmplx.Phase(h)) <= math.Asin(min(1, d)) || d >= 1 {
					phase++
				}
			}
			for what, hits := range map[string]float64{"magnitude": magnitude, "phase": phase} {
				if p := hits / trials; p < 0.93 || p > 0.97 {
					t.Errorf("n = %d, C = %v: %s covered in %.2f %%", n, c, what, 100*p)
				}
			}
		}
	}
}

func TestNothingKnown(t *testing.T) {
	for _, n := range []float64{0, 1, math.NaN()} {
		if d := Deviation(0.9, n); !math.IsInf(d, 1) || CoherenceThreshold(n, 0.01) != 1 {
			t.Errorf("n = %v claims to know something", n)
		}
	}
	if !math.IsInf(Deviation(0, 50), 1) {
		t.Error("coherence 0 claims to know something")
	}
	if Deviation(1, 50) != 0 {
		t.Error("coherence 1 is exact")
	}
}

func BenchmarkDeviation(b *testing.B) {
	Deviation(0.5, 8)
	for b.Loop() {
		Deviation(0.7, 13.3)
	}
}
