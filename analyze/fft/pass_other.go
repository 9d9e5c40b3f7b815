//go:build !amd64

package fft

func pass(y, x, twiddles []complex128, stride int) { passGo(y, x, twiddles, stride) }

func loadPair(dst []complex128, a, b, w []float64) (sumA, sumB float64) {
	return loadPairGo(dst, a, b, w)
}
