package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
)

// few are spectra of n averages of complex normal deviates, one draw a point: of a path
// of that gain, with noise of that power re the reference.
func few(r *rand.Rand, points, n int, gain, noise float64) *Spectra {
	normal := func() complex128 { return complex(r.NormFloat64(), r.NormFloat64()) / math.Sqrt2 }
	s := &Spectra{SampleRateHz: 48000, Window: 4096}
	for k := range points {
		var xx, yy float64
		var xy complex128
		for range n {
			x := normal()
			y := complex(gain, 0)*x + complex(math.Sqrt(noise), 0)*normal()
			xx, yy, xy = xx+power(x), yy+power(y), xy+cmplx.Conj(x)*y
		}
		m := float64(n)
		s.FrequencyHz = append(s.FrequencyHz, float64(k+1))
		s.Gxx, s.Gyy, s.Gxy = append(s.Gxx, xx/m), append(s.Gyy, yy/m), append(s.Gxy, xy/complex(m, 0))
		s.EffectiveAverages = append(s.EffectiveAverages, m)
	}
	return s
}

// The divisor is n − 1: at 3…8 averages Variance is what H is off by, in mean square,
// and at 2…8 Deviation holds 95 % of it. By n it would be 1/n too small. Complex normal
// regression (Goodman 1957; Bendat and Piersol, Random Data, 4th ed., ch. 9).
func TestVarianceOfFewAverages(t *testing.T) {
	const points, noise = 200000, 0.1
	r := rand.New(rand.NewPCG(1, 10))
	for n := 2; n <= 8; n++ {
		s := few(r, points, n, 1, noise)
		held := 0.0
		var off, said float64
		for k := range points {
			e := s.H(k) - 1
			off += power(e)
			said += s.Variance(k)
			if math.Abs(real(e)) <= s.Deviation(k)*cmplx.Abs(s.H(k)) {
				held++
			}
		}
		if ratio := said / off; n > 3 && math.Abs(ratio-1) > 0.02 {
			t.Errorf("%d averages: the variance is %.3f of what H is off by, mean square", n, ratio)
		}
		// Of the true H's part, re the estimate's size: a little less than re the true one's.
		if share := 100 * held / points; share < 93 || share > 97 {
			t.Errorf("%d averages: the interval holds %.1f %%, want 95", n, share)
		}
		truth.Claim(t, fmt.Sprintf("the variance of H, and the interval of one part of it, from %d averages: 1; 93…97 %%", n), "Goodman 1957; Bendat and Piersol, ch. 9; Monte Carlo",
			fmt.Sprintf("%.3f of what it is; holds %.1f %%", said/off, 100*held/points), truth.AtLeast(100*held/points, "93"), truth.AtMost(100*held/points, "97"))
	}
}

// What was turned and added is what the two would have given at once: H of the sum is
// the sum of the H, with the unexplained of both, and the fewer averages.
func TestTurnAndAdd(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 10))
	a, b := few(r, 50, 8, 1, 0.1), few(r, 50, 6, 1, 0.3)
	a.DelayS, b.DelayS = 0.010, 0.0125
	var turned, sum Spectra
	Turn(&turned, b, Turned{DelayS: 0.001, Sign: -1, GainDB: -6})
	a.Gxx[7] = 0
	if err := Add(&sum, a, &turned, 1); err != nil {
		t.Fatal(err)
	}
	gain := math.Pow(10, -6./20)
	for k, f := range a.FrequencyHz {
		if k == 7 {
			if sum.Known(k) {
				t.Error("a point without reference is known in the sum")
			}
			continue
		}
		want := a.H(k) - complex(gain, 0)*b.H(k)*cmplx.Rect(1, -2*math.Pi*f*0.0035)
		if cmplx.Abs(sum.H(k)-want) > 1e-12 || sum.EffectiveAverages[k] != 6 {
			t.Fatalf("point %d: %v, want %v", k, sum.H(k), want)
		}
		if v := a.Unexplained(k) + gain*gain*b.Unexplained(k); math.Abs(sum.Unexplained(k)-v) > 1e-12 {
			t.Errorf("point %d: %g unexplained, want %g", k, sum.Unexplained(k), v)
		}
		path := a.Path(k) - complex(gain, 0)*b.H(k)*cmplx.Rect(1, -2*math.Pi*f*0.0135)
		if cmplx.Abs(sum.Path(k)-path) > 1e-12 {
			t.Errorf("point %d: %v re the reference, want %v", k, sum.Path(k), path)
		}
	}
	b.FrequencyHz[3]++
	if Add(&sum, a, b, 1) == nil {
		t.Error("responses at other frequencies were added")
	}
}
