package fft

// wide says that registers of four float64 can be used. Its results are those
// of the narrow ones to the last bit: the same operations, none of them fused.
var wide = avx()

// two says that registers of eight float64 can be used, and there are enough of them
// to do two passes at once.
var two = wide && avx512()

// Wide reports whether kernels can use registers of four float64.
func Wide() bool { return wide }

// pass is passGo with whole complex numbers in registers.
func pass(y, x, twiddles []complex128, stride int) {
	switch {
	case !wide || len(x) < 8:
		passNarrow(y, x, twiddles, stride)
	case stride == 1:
		passFirst(y, x, twiddles)
	default:
		passWide(y, x, twiddles, stride)
	}
}

// pair is pairGo.
func pair(y, x []complex128, a, b, w []float64, twiddles []complex128) (sumA, sumB float64) {
	if !wide {
		return pairGo(y, x, a, b, w, twiddles)
	}
	var sums [8]float64
	pairWide(y, a, b, w, twiddles, &sums)
	return sums[0] + sums[1] + sums[2] + sums[3], sums[4] + sums[5] + sums[6] + sums[7]
}

// passNarrow needs SSE2 only, which every amd64 processor has. It checks nothing:
// stride and len(twiddles)/3 are at least 1, their product is len(x)/4 = len(y)/4,
// and x and y do not overlap.
//
//go:noescape
func passNarrow(y, x, twiddles []complex128, stride int)

// passWide is passNarrow for an even stride, with AVX.
//
//go:noescape
func passWide(y, x, twiddles []complex128, stride int)

// passFirst is passNarrow for a stride of 1 and at least 8 samples, with AVX.
//
//go:noescape
func passFirst(y, x, twiddles []complex128)

// pairWide is pairGo with AVX; it leaves the four sums of a, then those of b.
//
//go:noescape
func pairWide(y []complex128, a, b, w []float64, twiddles []complex128, sums *[8]float64)

// passTwo is passNarrow twice, with AVX-512: from x to y with the twiddles first at a
// stride that is a multiple of 4, and on with second at four times the stride. There
// are len(x)/stride points left in front of it, 16 at least.
//
//go:noescape
func passTwo(y, x, first, second []complex128, stride int)

// avx512 asks for AVX-512F.
func avx512() bool

// avx asks the processor and the operating system.
func avx() bool
