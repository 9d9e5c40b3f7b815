package alignment

import (
	"math"
	"math/cmplx"
)

// Gains sets dst, one entry a seat, to the level of the sum under x over that of the
// louder one as it is, in dB: power means over the cells, over each seat's spread.
// It returns dst; nil allocates. Of |A + gpBe^{−jωτ}|² a spread keeps
// exp(−(ωσ_τ)²/2) of what the two have in common.
func (p *Problem) Gains(dst []float64, x Setting) []float64 {
	dst = dst[:0]
	for i := range p.seats {
		dst = append(dst, p.seats[i].gain(x))
	}
	return dst
}

func (s *seat) gain(x Setting) float64 {
	level, tau := float64(x.Sign)*math.Pow(10, x.GainDB/20), x.DelayMs/1e3
	var a, b, sum float64
	for i, k := range s.cells {
		omega := s.omega[i]
		turn := omega * s.spreadS
		sin, cos := math.Sincos(omega * tau)
		z := s.belief.A[k]*cmplx.Conj(s.belief.B[k]) + s.belief.Cross[k]
		pa, pb := power(s.belief.A[k])+s.belief.VarA[k], power(s.belief.B[k])+s.belief.VarB[k]
		a += pa
		b += pb
		sum += pa + level*level*pb + 2*level*(real(z)*cos-imag(z)*sin)*math.Exp(-turn*turn/2)
	}
	return 10 * math.Log10(max(sum/max(a, b), 1e-6)) // −60 dB: see maxC
}
