package stationarity

import "math/cmplx"

// chains are how many factors are made at a time: each waits for the one before it
// in its chain.
const chains = 8

// turns are the factors e^{jωτ} of all bins that take out, or put in, an offset τ.
// They are kept until another offset is asked for.
type turns struct {
	factors []complex128
	offsetS float64
}

// of returns those of an offset, bin low of s first. They are good until the next call.
func (t *turns) of(s *Stretches, offsetS float64) []complex128 {
	if n := s.high - s.low; t.factors == nil {
		t.factors = make([]complex128, n)
	} else if offsetS == t.offsetS {
		return t.factors
	}
	t.offsetS = offsetS
	first, step := s.omega()
	var chain [chains]complex128
	for i := range chain {
		chain[i] = cmplx.Rect(1, (first+float64(i)*step)*offsetS)
	}
	by, f := cmplx.Rect(1, chains*step*offsetS), t.factors
	for ; len(f) >= chains; f = f[chains:] {
		for i := range chain {
			f[i] = chain[i]
			chain[i] *= by
		}
	}
	copy(f, chain[:])
	return t.factors
}
