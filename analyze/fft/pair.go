package fft

import "math/bits"

// leastPair is the least length that TransformPair takes: four butterflies.
const leastPair = 16

// TransformPair is Transform of one + j·two under the window, all of Len samples,
// 16 at least, and returns the sums of one and two as well. It spoils Input.
func (c *Complex) TransformPair(one, two, window []float64) (z []complex128, sumOne, sumTwo float64) {
	if c.n < leastPair {
		panic("fft: a pair of sequences of less than 16 samples")
	}
	sumOne, sumTwo = pair(c.work, c.in, one[:c.n], two[:c.n], window[:c.n], c.stages[0])
	return c.from(1, c.work, c.in), sumOne, sumTwo
}

// AllButLast is TransformPair without the last pass, for a Len that is a power of 4:
// the bins q+r·Len/4, r = 0…3, are the transform of what is at q+j·Len/4, j = 0…3.
func (c *Complex) AllButLast(one, two, window []float64) (x []complex128, sumOne, sumTwo float64) {
	if c.n < leastPair || bits.TrailingZeros(uint(c.n))&1 == 1 {
		panic("fft: the last pass is not one of four")
	}
	sumOne, sumTwo = pair(c.work, c.in, one[:c.n], two[:c.n], window[:c.n], c.stages[0])
	x, _ = through(c.stages[1:len(c.stages)-1], 4, c.work, c.in)
	return x, sumOne, sumTwo
}

// pairGo does the first stage of pass, with a + jb under the window w for x, which
// it fills, and sums a and b on the way.
func pairGo(y, x []complex128, a, b, w []float64, twiddles []complex128) (sumA, sumB float64) {
	h := len(x) / 4
	var sumsA, sumsB [4]float64 // an addition waits for the last one
	for p := 0; p+3 < h; p += 4 {
		var partA, partB [4]float64
		for i := p; i < len(x); i += h {
			q, c, d, v := x[i:][:4], a[i:][:4], b[i:][:4], w[i:][:4]
			q[0] = complex(c[0]*v[0], d[0]*v[0])
			q[1] = complex(c[1]*v[1], d[1]*v[1])
			q[2] = complex(c[2]*v[2], d[2]*v[2])
			q[3] = complex(c[3]*v[3], d[3]*v[3])
			partA[0], partA[1], partA[2], partA[3] = partA[0]+c[0], partA[1]+c[1], partA[2]+c[2], partA[3]+c[3]
			partB[0], partB[1], partB[2], partB[3] = partB[0]+d[0], partB[1]+d[1], partB[2]+d[2], partB[3]+d[3]
		}
		for k := range partA {
			sumsA[k] += partA[k]
			sumsB[k] += partB[k]
		}
	}
	pass(y, x, twiddles, 1)
	return sumsA[0] + sumsA[1] + sumsA[2] + sumsA[3], sumsB[0] + sumsB[1] + sumsB[2] + sumsB[3]
}
