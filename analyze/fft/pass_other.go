//go:build !amd64

package fft

func pass(y, x, twiddles []complex128, stride int) { passGo(y, x, twiddles, stride) }
