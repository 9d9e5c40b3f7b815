package response

import (
	"testing"

	"plumbline/analyze/internal/programme"
)

// The kernel of this processor and the one in Go agree to the last bit.
func TestSumsOfPairsEqualGo(t *testing.T) {
	r := programme.New(3)
	for _, n := range []int{0, 1, 2, 3, 8, 1001} {
		up, down := make([]complex128, n), make([]complex128, n)
		got, want := make([]cell, n), make([]cell, n)
		for i := range up {
			up[i], down[i] = complex(r.NormFloat64(), r.NormFloat64()), complex(r.NormFloat64(), r.NormFloat64())
		}
		for _, decay := range []float64{1, 0.9} {
			addPairs(got, up, down, decay)
			addPairsGo(want, up, down, decay)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("bin %d of %d: %v, want %v", i, n, got[i], want[i])
			}
		}
	}
}
