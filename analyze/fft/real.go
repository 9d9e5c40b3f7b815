package fft

import "fmt"

// Real transforms real sequences of one length. It carries scratch: one per
// goroutine.
type Real struct {
	n     int
	half  *Complex // of n/2: a real sequence as even and odd samples
	pair  *Complex // of n, made by the first ForwardPair
	turns *turns
}

// NewReal plans transforms of n samples. It panics unless n is a power of two
// in 4…2^24.
func NewReal(n int) *Real {
	if n < 4 || n > 1<<24 || n&(n-1) != 0 {
		panic(fmt.Sprintf("fft: length %d is not a power of two in 4…2^24", n))
	}
	return &Real{n: n, half: NewComplex(n / 2), turns: turnsOf(n)}
}

// Len is the number of samples.
func (r *Real) Len() int { return r.n }

// Forward sets dst[k] = Σ x[i]·e^{−j2πik/n}, k = 0…n/2, and returns dst; nil
// allocates. It panics unless x has n and dst n/2+1 elements.
func (r *Real) Forward(dst []complex128, x []float64) []complex128 {
	h := r.n / 2
	if dst == nil {
		dst = make([]complex128, h+1)
	}
	r.check(len(dst), len(x))
	in := r.half.Input()
	for i := range in {
		in[i] = complex(x[2*i], x[2*i+1])
	}
	z := r.half.Transform()
	dst[0] = complex(real(z[0])+imag(z[0]), 0)
	dst[h] = complex(real(z[0])-imag(z[0]), 0)
	turns := r.turns.at
	// Even samples have the spectrum E = (Z[k] + Z*[h−k])/2, odd ones
	// O = (Z[k] − Z*[h−k])/2j; X[k] = E + w^k·O and X[h−k] = (E − w^k·O)*.
	for k := 1; k <= h/2; k++ {
		a, b := z[k], z[h-k]
		er, ei := 0.5*(real(a)+real(b)), 0.5*(imag(a)-imag(b))
		or, oi := 0.5*(imag(a)+imag(b)), 0.5*(real(b)-real(a))
		wr, wi := real(turns[k]), imag(turns[k])
		tr, ti := or*wr-oi*wi, or*wi+oi*wr
		dst[k] = complex(er+tr, ei+ti)
		dst[h-k] = complex(er-tr, ti-ei)
	}
	return dst
}

// ForwardPair transforms two real sequences by one complex transform: a of x, b
// of y. Lengths as in Forward.
func (r *Real) ForwardPair(a, b []complex128, x, y []float64) {
	r.check(len(a), len(x))
	r.check(len(b), len(y))
	if r.pair == nil {
		r.pair = NewComplex(r.n)
	}
	in := r.pair.Input()
	for i := range in {
		in[i] = complex(x[i], y[i])
	}
	z := r.pair.Transform()
	a[0], b[0] = complex(real(z[0]), 0), complex(imag(z[0]), 0)
	for k := 1; k < len(a); k++ {
		a[k], b[k] = Split(z[k], z[r.n-k])
	}
}

// Split takes apart what was transformed as x + jy: from Z[k] and Z[n−k] it
// makes X[k] and Y[k].
func Split(zk, znk complex128) (x, y complex128) {
	return complex(0.5*(real(zk)+real(znk)), 0.5*(imag(zk)-imag(znk))),
		complex(0.5*(imag(zk)+imag(znk)), 0.5*(real(znk)-real(zk)))
}

// Inverse sets dst to the sequence whose Forward is X, 1/n included, and
// returns dst; nil allocates. X is left as it is; the imaginary parts of its
// first and last element are taken for 0. Lengths as in Forward.
func (r *Real) Inverse(dst []float64, X []complex128) []float64 {
	if dst == nil {
		dst = make([]float64, r.n)
	}
	r.check(len(X), len(dst))
	h := r.n / 2
	in := r.half.Input()
	scale := 1 / float64(r.n)
	turns := r.turns.at
	// Z = E + jO, as Forward found it; the inverse transform is the forward one
	// between two exchanges of real and imaginary part.
	first, last := scale*real(X[0]), scale*real(X[h])
	in[0] = complex(first-last, first+last)
	for k := 1; k <= h/2; k++ {
		a, b := X[k], X[h-k]
		er, ei := scale*(real(a)+real(b)), scale*(imag(a)-imag(b))
		tr, ti := scale*(real(a)-real(b)), scale*(imag(a)+imag(b))
		wr, wi := real(turns[k]), -imag(turns[k])
		or, oi := tr*wr-ti*wi, tr*wi+ti*wr
		in[k] = complex(ei+or, er-oi)
		in[h-k] = complex(or-ei, er+oi)
	}
	z := r.half.Transform()
	for i, v := range z {
		dst[2*i], dst[2*i+1] = imag(v), real(v)
	}
	return dst
}

func (r *Real) check(spectrum, samples int) {
	if spectrum != r.n/2+1 || samples != r.n {
		panic(fmt.Sprintf("fft: %d samples and %d bins for a transform of %d", samples, spectrum, r.n))
	}
}
