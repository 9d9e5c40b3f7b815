package response

import (
	"testing"

	"plumbline/analyze/internal/programme"
)

// Sums that spare the last pass are those of whole transforms, to the last bit.
func TestSumsOfLastPassEqualWhole(t *testing.T) {
	r := programme.New(5)
	for _, size := range []int{16, 64, 256, 16384} {
		cfg := Config{SampleRateHz: 48000, Window: size, Overlap: 0.75, EverySegment: true, Averaging: Averaging{Mode: Infinite}}
		if err := cfg.check(); err != nil {
			t.Fatal(err)
		}
		b := newBand(&cfg, size, size/4, 1, 0, size/2+1)
		if !b.quarters() {
			t.Fatalf("%d samples have another last pass", size)
		}
		got, want := averages{cells: make([]cell, size/2+1)}, averages{cells: make([]cell, size/2+1)}
		for range 3 {
			x, y := make([]float64, size), make([]float64, size)
			for i := range x {
				x[i] = 1 + r.NormFloat64()
				y[i] = x[i]/2 + r.NormFloat64()
			}
			want.addWhole(b, b.transformPair(x, y))
			z, sumX, sumY := b.plan.AllButLast(x, y, b.window)
			got.addLast(b, z, sumX, sumY)
		}
		if got.weight != want.weight {
			t.Errorf("%d: weight %v, want %v", size, got.weight, want.weight)
		}
		for k := range want.cells {
			if got.cells[k] != want.cells[k] {
				t.Fatalf("%d, bin %d: %v, want %v", size, k, got.cells[k], want.cells[k])
			}
		}
	}
}

// The kernel of this processor and the one in Go agree to the last bit.
func TestSumsOfLastPassEqualGo(t *testing.T) {
	r := programme.New(6)
	for _, n := range []int{32, 64, 1024} {
		x := make([]complex128, n)
		for i := range x {
			x[i] = complex(r.NormFloat64(), r.NormFloat64())
		}
		got, want := make([]cell, n/2+1), make([]cell, n/2+1)
		for _, decay := range []float64{1, 0.9} {
			addLast(got, x, decay)
			addLastGo(want, x, decay)
		}
		for k := range want {
			if got[k] != want[k] {
				t.Fatalf("%d, bin %d: %v, want %v", n, k, got[k], want[k])
			}
		}
	}
}
