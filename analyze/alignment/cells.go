package alignment

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/summation"
)

// With |A + g·p·B·e^{−jωτ}|² = |A|² + g²|B|² + 2gp·Re(A·conj(B)·e^{jωτ}) the
// efficiency of a cell is (1 + c·p·cos(φ+ωτ))/(1 + c), c = 2gr/(1 + g²r²),
// r = |B|/|A|, φ = arg A·conj(B). A cell that cancels completely counts
// −60 dB: c is limited so that (1−c)/(1+c) = 1e-6. A measured response says
// nothing about deeper nulls.
const maxC = (1 - 1e-6) / (1 + 1e-6)

// Under noise A and B are not known, and the efficiency of a cell is what is to be
// expected of it. A sum z whose mean is m and whose variance is v, both complex normal,
// has E ln|z|² = ln|m|² + E₁(|m|²/v) (E₁ the exponential integral), which is ln(|m|² + κv)
// with κ = e^{−γ} where one of the two is small, and to 0.2 nepers between. As m and v
// of the sum of A and delayed B both are of the form x + y·cos(φ+ωτ), so is this: with
//
//	a² = |E A|² + κ·var A, b² the same, x = E A·conj(E B) + κ·cov(A, B)
//
// r is b/a, φ is arg x, and the ripple is χ·c, χ = |x|/ab ≤ 1. The denominator (|A|+|B|)²
// has its own expectation, less times that of a and b.

// kappa is e^{−γ}, γ Euler's constant.
const kappa = 0.5614594835668851

// newSeat takes a pair's cells. What is believed of its responses is about the offset
// that the arrivals say or, without them, the phases within ±wideMs.
func newSeat(pair *summation.Pair, at Arrivals, wideMs float64) seat {
	s := seat{pair: pair, at: at, cells: pair.Cells(), around: summation.Offset{Ms: at.OffsetMs, Sign: 1}}
	if !at.known() && !pair.Clear() {
		s.around = pair.Offset(wideMs)
	}
	s.fill(pair.Belief(s.around))
	return s
}

// fill sets the cells from what is believed.
func (s *seat) fill(b *summation.Belief) {
	s.belief, s.levelA, s.levelB = b, 0, 0
	for k, w := range s.pair.Weight {
		s.levelA += w * (power(b.A[k]) + b.VarA[k])
		s.levelB += w * (power(b.B[k]) + b.VarB[k])
	}
	n := len(s.cells)
	if s.omega == nil {
		s.omega = make([]float64, n)
		for i, k := range s.cells {
			s.omega[i] = 2 * math.Pi * s.pair.FrequencyHz[k]
		}
	}
	s.cross, s.ratio, s.c1, s.less = make([]complex128, n), make([]float64, n), make([]float64, n), nil
	if !b.Clear {
		s.less = make([]float64, n)
	}
	for i, k := range s.cells {
		if i > 0 && k == s.cells[i-1] { // several cells share a point
			s.cross[i], s.ratio[i], s.c1[i] = s.cross[i-1], s.ratio[i-1], s.c1[i-1]
			if s.less != nil {
				s.less[i] = s.less[i-1]
			}
			continue
		}
		a, c := math.Sqrt(power(b.A[k])+kappa*b.VarA[k]), math.Sqrt(power(b.B[k])+kappa*b.VarB[k])
		x := b.A[k]*cmplx.Conj(b.B[k]) + complex(kappa, 0)*b.Cross[k]
		s.ratio[i] = c / a
		s.cross[i] = x / complex(max(a*c, cmplx.Abs(x)), 0)
		s.c1[i] = cOf(c / a)
		if s.less != nil {
			s.less[i] = lessOf(b, k, a, c)
		}
	}
}

// lessOf is what E 2 ln(|A| + |B|) is more than 2 ln(a + c), as a factor. The mean and
// the variance of a magnitude are those of a Rice distribution, to 1 %; E ln x is
// taken as ln E x − var x/2(E x)².
func lessOf(b *summation.Belief, k int, a, c float64) float64 {
	magnitude := func(h complex128, v float64) (mean, variance, far float64) {
		if v == 0 {
			return cmplx.Abs(h), 0, 1
		}
		near := math.Exp(-0.69 * power(h) / v)
		variance = v * (0.5 - 0.2854*near)
		return math.Sqrt(power(h) + v - variance), variance, 1 - near
	}
	ma, va, farA := magnitude(b.A[k], b.VarA[k])
	mb, vb, farB := magnitude(b.B[k], b.VarB[k])
	together := 0.0
	if va > 0 && vb > 0 {
		r := power(b.Cross[k]) / (b.VarA[k] * b.VarB[k])
		along := b.Cross[k] * cmplx.Conj(b.A[k]) * b.B[k]
		if size := cmplx.Abs(b.A[k]) * cmplx.Abs(b.B[k]); size > 0 {
			far := farA * farB
			r = (1-far)*r + far*real(along)/size/math.Sqrt(b.VarA[k]*b.VarB[k])
		}
		together = r * math.Sqrt(va*vb)
	}
	sum := ma + mb
	return sum * sum / ((a + c) * (a + c)) * math.Exp(-(va+vb+2*together)/(sum*sum))
}

// ideal is the denominator of a cell whose ripple would be c were it known.
func (s *seat) ideal(k int, c float64) float64 {
	if s.less == nil {
		return 1 + c
	}
	return (1 + c) * s.less[k]
}

func (s *seat) c(k int, gain float64) float64 {
	if gain == 1 {
		return s.c1[k]
	}
	return cOf(gain * s.ratio[k])
}

func cOf(r float64) float64 { return min(maxC, 2*r/(1+r*r)) }

// rho is that of the ripple of a cell, and levelled what is left of the cell's
// efficiency without it, as a factor: (1 + ρ²)⁻¹ over the denominator.
func (s *seat) rho(k int, gain float64) (rho, levelled float64) {
	r := gain * s.ratio[k]
	if s.less == nil {
		rho = min(r, 1/r, maxRho)
		return rho, 1 / ((1 + rho) * (1 + rho))
	}
	c := cOf(r)
	x := c * min(1, cmplx.Abs(s.cross[k]))
	rho = x / (1 + math.Sqrt(1-x*x))
	return rho, 1 / ((1 + rho*rho) * s.ideal(k, c))
}
