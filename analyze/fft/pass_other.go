//go:build !amd64

package fft

func pass(y, x, twiddles []complex128, stride int) { passGo(y, x, twiddles, stride) }

func pair(y, x []complex128, a, b, w []float64, twiddles []complex128) (sumA, sumB float64) {
	return pairGo(y, x, a, b, w, twiddles)
}
