package fft

// LoadPair fills Input with one + j·two under the window, all of Len samples,
// and returns the sums of one and two.
func (c *Complex) LoadPair(one, two, window []float64) (sumOne, sumTwo float64) {
	return loadPair(c.in, one[:c.n], two[:c.n], window[:c.n])
}

// loadPairGo fills dst with a + jb under the window w and returns the sums of a
// and b.
func loadPairGo(dst []complex128, a, b, w []float64) (sumA, sumB float64) {
	a, b, w = a[:len(dst)], b[:len(dst)], w[:len(dst)]
	var a0, a1, a2, a3, b0, b1, b2, b3 float64 // four chains: an addition waits for the last one
	i := 0
	for ; i+3 < len(dst); i += 4 {
		d, p, q, v := dst[i:][:4], a[i:][:4], b[i:][:4], w[i:][:4]
		d[0] = complex(p[0]*v[0], q[0]*v[0])
		d[1] = complex(p[1]*v[1], q[1]*v[1])
		d[2] = complex(p[2]*v[2], q[2]*v[2])
		d[3] = complex(p[3]*v[3], q[3]*v[3])
		a0, a1, a2, a3 = a0+p[0], a1+p[1], a2+p[2], a3+p[3]
		b0, b1, b2, b3 = b0+q[0], b1+q[1], b2+q[2], b3+q[3]
	}
	for ; i < len(dst); i++ { // one or two samples are all there is
		dst[i] = complex(a[i]*w[i], b[i]*w[i])
		a0, b0 = a0+a[i], b0+b[i]
	}
	return a0 + a1 + a2 + a3, b0 + b1 + b2 + b3
}
