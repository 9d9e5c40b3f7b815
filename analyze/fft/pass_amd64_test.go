package fft

import "testing"

// Processors without AVX get the same results.
func TestNarrowEqualsWide(t *testing.T) {
	if !wide {
		t.Skip("this processor has no AVX: all other tests run the narrow kernels")
	}
	for _, n := range []int{16, 32, 64, 2048, 8192} {
		re, im, w := noise(n, 1), noise(n, 2), noise(n, 3)
		one, two := NewComplex(n), NewComplex(n)
		got, sumA, sumB := one.TransformPair(re, im, w)
		wide = false
		want, wantA, wantB := two.TransformPair(re, im, w)
		wide = true
		if sumA != wantA || sumB != wantB {
			t.Fatalf("n = %d: sums %v and %v, want %v and %v", n, sumA, sumB, wantA, wantB)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("n = %d, %d: %v, want %v", n, i, got[i], want[i])
			}
		}
	}
}

func BenchmarkKernels(b *testing.B) {
	x, w := noise(16384, 1), noise(16384, 2)
	c := NewComplex(len(x))
	for _, k := range []struct {
		name string
		wide bool
	}{{"wide", wide}, {"narrow", false}} {
		b.Run(k.name, func(b *testing.B) {
			defer func(was bool) { wide = was }(wide)
			wide = k.wide
			for b.Loop() {
				c.TransformPair(x, x, w)
			}
		})
	}
}
