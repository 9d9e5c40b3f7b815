package caution

import "plumbline/analyze/fft"

// steps is stepsGo, four lanes at a time where the processor can, to the same bit.
func steps(x []float64, s *surveyed) {
	if !fft.Wide() {
		stepsGo(x, s)
		return
	}
	stepsWide(x, s)
}

// stepsWide is stepsGo with AVX, for one step at least.
//
//go:noescape
func stepsWide(x []float64, s *surveyed)
