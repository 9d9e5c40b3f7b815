package response

import "plumbline/analyze/fft"

// addLast is addLastGo, two bins at a time where the processor can, to the same bit.
func addLast(cells []cell, x []complex128, decay float64) {
	if h := len(x) / 4; fft.Wide() && h >= 8 {
		addLastWide(cells[:2*h], x, decay)
		return
	}
	addLastGo(cells, x, decay)
}

// addLastWide is addLastGo with AVX, for 32 bins at least.
//
//go:noescape
func addLastWide(cells []cell, x []complex128, decay float64)
