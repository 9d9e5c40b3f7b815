package fft

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	godsp "github.com/mjibson/go-dsp/fft"
	"gonum.org/v1/gonum/dsp/fourier"
)

// Rounding grows with the logarithm of the length; ten times the unit roundoff
// relative to the rms of the spectrum is generous at 2^20 and far below any
// wrong twiddle.
const rmsTolerance = 10 * 0x1p-53

var sizes = []int{4, 8, 16, 32, 64, 128, 512, 1024, 4096, 8192, 1 << 14, 1 << 17, 1 << 20}

func noise(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

// rmsError is the rms of a−b over the rms of b.
func rmsError(a, b []complex128) float64 {
	var e, s float64
	for i := range b {
		d := cmplx.Abs(a[i] - b[i])
		e += d * d
		s += real(b[i])*real(b[i]) + imag(b[i])*imag(b[i])
	}
	return math.Sqrt(e / s)
}

func TestForwardEqualsDefinition(t *testing.T) {
	for _, n := range []int{4, 8, 16, 32, 64, 128, 256} {
		x := noise(n, 1)
		want := make([]complex128, n/2+1)
		for k := range want {
			for i, v := range x {
				want[k] += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(i*k%n)/float64(n))
			}
		}
		if e := rmsError(NewReal(n).Forward(nil, x), want); e > rmsTolerance {
			t.Errorf("n = %d: rms error %.2g", n, e)
		}
	}
}

func TestForwardEqualsGonum(t *testing.T) {
	for _, n := range sizes {
		x := noise(n, 2)
		want := fourier.NewFFT(n).Coefficients(nil, x)
		if e := rmsError(NewReal(n).Forward(nil, x), want); e > rmsTolerance {
			t.Errorf("n = %d: rms error %.2g", n, e)
		}
	}
}

func TestForwardEqualsGoDSP(t *testing.T) {
	for _, n := range sizes {
		x := noise(n, 3)
		want := godsp.FFTReal(x)[:n/2+1]
		if e := rmsError(NewReal(n).Forward(nil, x), want); e > rmsTolerance {
			t.Errorf("n = %d: rms error %.2g", n, e)
		}
	}
}

func TestComplexEqualsGonum(t *testing.T) {
	for _, n := range append([]int{1, 2}, sizes...) {
		re, im := noise(n, 4), noise(n, 5)
		x := make([]complex128, n)
		for i := range x {
			x[i] = complex(re[i], im[i])
		}
		c := NewComplex(n)
		copy(c.Input(), x)
		want := fourier.NewCmplxFFT(n).Coefficients(nil, x)
		if e := rmsError(c.Transform(), want); e > rmsTolerance {
			t.Errorf("n = %d: rms error %.2g", n, e)
		}
	}
}

func TestPairEqualsTwoSingleTransforms(t *testing.T) {
	for _, n := range sizes {
		r := NewReal(n)
		x, y := noise(n, 6), noise(n, 7)
		a, b := make([]complex128, n/2+1), make([]complex128, n/2+1)
		r.ForwardPair(a, b, x, y)
		if e := rmsError(a, r.Forward(nil, x)); e > rmsTolerance {
			t.Errorf("n = %d, first: rms error %.2g", n, e)
		}
		if e := rmsError(b, r.Forward(nil, y)); e > rmsTolerance {
			t.Errorf("n = %d, second: rms error %.2g", n, e)
		}
	}
}

// A pair under a window is its transform, whatever is left out of the way there.
func TestTransformPair(t *testing.T) {
	for _, n := range []int{16, 32, 128, 1024, 8192} {
		one, two, w := noise(n, 1), noise(n, 2), noise(n, 3)
		c := NewComplex(n)
		sumOne, sumTwo := 0.0, 0.0
		for i := range one {
			c.Input()[i] = complex(one[i]*w[i], two[i]*w[i])
			sumOne, sumTwo = sumOne+one[i], sumTwo+two[i]
		}
		want := slices.Clone(c.Transform())
		got, gotOne, gotTwo := c.TransformPair(one, two, w)
		if e := rmsError(got, want); e > 1e-15 {
			t.Errorf("n = %d: off by %.1e", n, e)
		}
		if math.Abs(gotOne-sumOne) > 1e-12*float64(n) || math.Abs(gotTwo-sumTwo) > 1e-12*float64(n) {
			t.Errorf("n = %d: sums %v and %v, want %v and %v", n, gotOne, gotTwo, sumOne, sumTwo)
		}
	}
}

func TestInverseUndoesForward(t *testing.T) {
	for _, n := range sizes {
		r := NewReal(n)
		x := noise(n, 8)
		X := r.Forward(nil, x)
		y := r.Inverse(nil, X)
		var e, s float64
		for i := range x {
			e += (y[i] - x[i]) * (y[i] - x[i])
			s += x[i] * x[i]
		}
		if e = math.Sqrt(e / s); e > rmsTolerance {
			t.Errorf("n = %d: rms error %.2g", n, e)
		}
	}
}

// A pulse at sample d has the spectrum e^{−j2πkd/n}; a cosine on bin m has n/2
// there and nothing elsewhere.
func TestAnalyticSpectra(t *testing.T) {
	const n, d, m = 64, 5, 9
	r := NewReal(n)
	pulse, cosine := make([]float64, n), make([]float64, n)
	pulse[d] = 1
	for i := range cosine {
		cosine[i] = math.Cos(2 * math.Pi * m * float64(i) / n)
	}
	P, C := r.Forward(nil, pulse), r.Forward(nil, cosine)
	for k := range P {
		if e := cmplx.Abs(P[k] - cmplx.Rect(1, -2*math.Pi*float64(k*d%n)/n)); e > 1e-15 {
			t.Errorf("pulse, bin %d: off by %.2g", k, e)
		}
		want := 0.0
		if k == m {
			want = n / 2
		}
		if e := cmplx.Abs(C[k] - complex(want, 0)); e > 1e-13 {
			t.Errorf("cosine, bin %d: off by %.2g", k, e)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	const n = 2048
	r := NewReal(n)
	x, y := noise(n, 1), noise(n, 2)
	a, b := make([]complex128, n/2+1), make([]complex128, n/2+1)
	r.ForwardPair(a, b, x, y)
	if got := testing.AllocsPerRun(20, func() {
		r.Forward(a, x)
		r.ForwardPair(a, b, x, y)
		r.Inverse(x, a)
	}); got != 0 {
		t.Errorf("%v allocations", got)
	}
}

func TestWrongLengthsPanic(t *testing.T) {
	for name, f := range map[string]func(){
		"length 2":       func() { NewReal(2) },
		"length 12":      func() { NewReal(12) },
		"short sequence": func() { NewReal(8).Forward(nil, make([]float64, 7)) },
		"long spectrum":  func() { NewReal(8).Inverse(nil, make([]complex128, 8)) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			f()
		}()
	}
}

func BenchmarkReal(b *testing.B) {
	for _, n := range []int{2048, 16384, 65536} {
		x, y := noise(n, 1), noise(n, 2)
		X, Y := make([]complex128, n/2+1), make([]complex128, n/2+1)
		r := NewReal(n)
		b.Run(fmt.Sprintf("house/%d", n), func(b *testing.B) {
			for b.Loop() {
				r.Forward(X, x)
			}
		})
		b.Run(fmt.Sprintf("house-pair/%d", n), func(b *testing.B) {
			for b.Loop() {
				r.ForwardPair(X, Y, x, y)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(2*b.N), "ns/sequence")
		})
		b.Run(fmt.Sprintf("gonum/%d", n), func(b *testing.B) {
			g := fourier.NewFFT(n)
			for b.Loop() {
				g.Coefficients(X, x)
			}
		})
		b.Run(fmt.Sprintf("go-dsp/%d", n), func(b *testing.B) {
			for b.Loop() {
				godsp.FFTReal(x)
			}
		})
	}
}

func ExampleReal_Forward() {
	// One period of a cosine over eight samples: all of it in bin 1.
	x := make([]float64, 8)
	for i := range x {
		x[i] = math.Cos(2 * math.Pi * float64(i) / 8)
	}
	for k, v := range NewReal(8).Forward(nil, x) {
		fmt.Printf("%d: %.1f\n", k, cmplx.Abs(v))
	}
	// Output:
	// 0: 0.0
	// 1: 4.0
	// 2: 0.0
	// 3: 0.0
	// 4: 0.0
}

// The kernel of this processor and the one in Go agree to the last bit.
func TestPassEqualsGo(t *testing.T) {
	for _, n := range []int{4, 8, 32, 1024} {
		for stride := 1; stride <= n/4; stride *= 2 {
			re, im := noise(n, 9), noise(n, 10)
			x, y, want := make([]complex128, n), make([]complex128, n), make([]complex128, n)
			for i := range x {
				x[i] = complex(re[i], im[i])
			}
			m := n / stride
			var twiddles []complex128
			for p := range m / 4 {
				for k := 1; k <= 3; k++ {
					twiddles = append(twiddles, root(k*p, m))
				}
			}
			pass(y, x, twiddles, stride)
			passGo(want, x, twiddles, stride)
			for i := range y {
				if y[i] != want[i] {
					t.Fatalf("n = %d, stride %d, %d: %v, want %v", n, stride, i, y[i], want[i])
				}
			}
		}
	}
}
