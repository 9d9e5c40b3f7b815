package fft

// pass is passGo with both parts of a complex number in one register. It needs
// SSE2 only, which every amd64 processor has. It checks nothing: stride and
// len(twiddles)/3 are at least 1, their product is len(x)/4 = len(y)/4, and x and
// y do not overlap.
//
//go:noescape
func pass(y, x, twiddles []complex128, stride int)
