package fourier

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strconv"
	"testing"
)

// Against the definition, term by term.
func TestForwardEqualsTheSum(t *testing.T) {
	for n := 1; n <= 256; n *= 2 {
		rng := rand.New(rand.NewPCG(1, uint64(n)))
		x := make([]complex128, n)
		for i := range x {
			x[i] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		got := append([]complex128(nil), x...)
		p := New(n)
		p.Forward(got)
		for k := range got {
			var want complex128
			for i, v := range x {
				want += v * cmplx.Exp(complex(0, -2*math.Pi*float64(k*i%n)/float64(n)))
			}
			if cmplx.Abs(got[k]-want) > 1e-12*float64(n) {
				t.Fatalf("n = %d, k = %d: got %v, want %v", n, k, got[k], want)
			}
		}
		p.Inverse(got)
		for i := range got {
			if cmplx.Abs(got[i]-x[i]) > 1e-13*float64(n) {
				t.Fatalf("n = %d: there and back: %v from %v", n, got[i], x[i])
			}
		}
	}
}

func BenchmarkForward(b *testing.B) {
	for _, n := range []int{1024, 16384} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			p, x := New(n), make([]complex128, n)
			x[1] = 1
			for b.Loop() {
				p.Forward(x)
				x[1] = 1
			}
		})
	}
}
