package response

// The last pass of a transform and the sums of its bins in one, which spares going
// through memory once to write the bins and once to read them.
//
// That pass makes of x[q+jh], j = 0…3, h = n/4, the bins q+rh, r = 0…3. The twin of
// bin q+rh is (h−q)+(3−r)h, so that q and h−q together have four bins up to n/2, and
// their twins.

// addLast is addWhole of what fft.Complex.AllButLast returns.
func (a *averages) addLast(b *band, x []complex128, sumOne, sumTwo float64) {
	a.changed = true
	decay := b.decay(a.weight)
	a.weight = decay*a.weight + 1
	for g := range a.groups {
		b.count(&a.groups[g], decay)
	}
	h, mean := len(x)/4, complex(sumOne, sumTwo) // see center
	first := lastOf(x, 0)
	first[0] -= mean / 2
	c, p, q := &a.cells[0], real(first[0]), imag(first[0])
	c.xx, c.yy, c.re = decay*c.xx+p*p, decay*c.yy+q*q, decay*c.re+p*q
	addPairsGo(a.cells[h:][:1], first[1:2], first[3:4], decay)
	addPairsGo(a.cells[2*h:][:1], first[2:3], first[2:3], decay)

	up, down := lastOf(x, 1), lastOf(x, h-1)
	up[0] += mean / 4
	down[3] += mean / 4
	addLastPair(a.cells, 1, h, &up, &down, decay)

	addLast(a.cells, x, decay)

	middle := lastOf(x, h/2)
	addPairsGo(a.cells[h/2:][:1], middle[0:1], middle[3:4], decay)
	addPairsGo(a.cells[h+h/2:][:1], middle[1:2], middle[2:3], decay)
}

// lastOf are the bins q+rh, r = 0…3.
func lastOf(x []complex128, q int) [4]complex128 {
	h := len(x) / 4
	a, b, c, d := x[q], x[q+h], x[q+2*h], x[q+3*h]
	sum, diff, other, turned := a+c, a-c, b+d, complex(imag(b)-imag(d), real(d)-real(b))
	return [4]complex128{sum + other, diff + turned, sum - other, diff - turned}
}

// addLastPair adds the bins up, of q, and down, of h−q.
func addLastPair(cells []cell, q, h int, up, down *[4]complex128, decay float64) {
	addPairsGo(cells[q:][:1], up[0:1], down[3:4], decay)
	addPairsGo(cells[q+h:][:1], up[1:2], down[2:3], decay)
	addPairsGo(cells[h-q:][:1], down[0:1], up[3:4], decay)
	addPairsGo(cells[2*h-q:][:1], down[1:2], up[2:3], decay)
}

// addLastGo adds the bins of all q from 2 to h/2−1, and their h−q.
func addLastGo(cells []cell, x []complex128, decay float64) {
	h := len(x) / 4
	for q := 2; q < h/2; q++ {
		up, down := lastOf(x, q), lastOf(x, h-q)
		addLastPair(cells, q, h, &up, &down, decay)
	}
}
