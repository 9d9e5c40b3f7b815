//go:build !amd64

package fft

const two = false

func passTwo(y, x, first, second []complex128, stride int) { panic("fft: no two passes at once") }

func pass(y, x, twiddles []complex128, stride int) { passGo(y, x, twiddles, stride) }

func pair(y, x []complex128, a, b, w []float64, twiddles []complex128) (sumA, sumB float64) {
	return pairGo(y, x, a, b, w, twiddles)
}
