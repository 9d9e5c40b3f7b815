package fft

// Real transforms real sequences of one power-of-two length. It carries
// scratch: one per goroutine.
type Real struct {
	n int
}

// NewReal plans transforms of n samples. It panics unless n is a power of two
// in 4…2^24.
func NewReal(n int) *Real { return &Real{n: n} }

// Len is the number of samples.
func (r *Real) Len() int { return r.n }

// Forward sets dst[k] = Σ x[i]·e^{−j2πik/n}, k = 0…n/2, unnormalised, and
// returns dst; nil allocates.
func (r *Real) Forward(dst []complex128, x []float64) []complex128 { return dst }

// ForwardPair transforms two real sequences at once: a of x, b of y.
func (r *Real) ForwardPair(a, b []complex128, x, y []float64) {}

// Inverse sets dst to the sequence whose Forward is X (it includes the 1/n) and
// returns dst; nil allocates. X is left as it is.
func (r *Real) Inverse(dst []float64, X []complex128) []float64 { return dst }
