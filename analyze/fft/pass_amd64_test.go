package fft

import "testing"

// Processors without AVX-512, or without AVX, get the same results.
func TestNarrowEqualsWide(t *testing.T) {
	if !wide {
		t.Skip("this processor has no AVX: all other tests run the narrow kernels")
	}
	defer func(w, t bool) { wide, two = w, t }(wide, two)
	for _, n := range []int{16, 32, 64, 128, 256, 512, 2048, 8192, 16384, 1 << 17} {
		re, im, w := noise(n, 1), noise(n, 2), noise(n, 3)
		kernels := []struct{ wide, two bool }{{false, false}, {true, false}}
		if two {
			kernels = append(kernels, struct{ wide, two bool }{true, true})
		} else {
			t.Log("this processor has no AVX-512")
		}
		var want []complex128
		var wantA, wantB float64
		for i, k := range kernels {
			wide, two = k.wide, k.two
			got, sumA, sumB := NewComplex(n).TransformPair(re, im, w)
			if i == 0 {
				want, wantA, wantB = got, sumA, sumB
			}
			if sumA != wantA || sumB != wantB {
				t.Fatalf("n = %d, %+v: sums %v and %v, want %v and %v", n, k, sumA, sumB, wantA, wantB)
			}
			for i := range got {
				if got[i] != want[i] {
					t.Fatalf("n = %d, %+v, %d: %v, want %v", n, k, i, got[i], want[i])
				}
			}
		}
	}
}

func BenchmarkKernels(b *testing.B) {
	x, w := noise(16384, 1), noise(16384, 2)
	c := NewComplex(len(x))
	for _, k := range []struct {
		name      string
		wide, two bool
	}{{"two", wide, two}, {"wide", wide, false}, {"narrow", false, false}} {
		b.Run(k.name, func(b *testing.B) {
			defer func(w, t bool) { wide, two = w, t }(wide, two)
			wide, two = k.wide, k.two
			for b.Loop() {
				c.TransformPair(x, x, w)
			}
		})
	}
}
