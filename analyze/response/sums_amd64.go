package response

import "plumbline/analyze/fft"

// addPairs is addPairsGo, two bins at a time where the processor can, to the same
// bit.
func addPairs(cells []cell, up, down []complex128, decay float64) {
	n := 0
	if fft.Wide() {
		if n = len(cells) &^ 1; n > 0 {
			addPairsWide(cells[:n], up[:n], down[len(down)-n:], decay)
		}
	}
	addPairsGo(cells[n:], up[n:], down[:len(down)-n], decay)
}

// addPairsWide is addPairsGo for an even number of bins, at least 2, with AVX.
//
//go:noescape
func addPairsWide(cells []cell, up, down []complex128, decay float64)
