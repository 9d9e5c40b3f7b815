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
// expected of it. A sum whose mean is m and whose variance is v, both complex normal,
// has E ln|z|² = ln|m|² + E₁(|m|²/v), E₁ the exponential integral. Over a turn of the
// delay |m|² runs between (|E A| ± |E B|)², and this expectation is taken to run as
// ln(K + L·cos(φ+ωτ)) between what it is at these two, so that the ripple is χ·c with
// χ ≤ 1. The denominator (|A|+|B|)² has its own expectation, less times that of r.

// kappa is e^{−γ}, γ Euler's constant: E ln|z|² = ln κv without a mean.
const kappa = 0.5614594835668851

// expected is the power whose logarithm is that to be expected of |z|².
func expected(mean, variance float64) float64 {
	switch x := mean / variance; {
	case !(variance > 0) || x > 12:
		return mean
	case x < 1e-6:
		return kappa * variance
	default:
		return mean * math.Exp(exponentialIntegral(x))
	}
}

// exponentialIntegral is E₁(x), x > 0 (Abramowitz and Stegun, Handbook of Mathematical
// Functions, 5.1.53 and 5.1.56, to 2e-7 and 5e-5).
func exponentialIntegral(x float64) float64 {
	if x <= 1 {
		return -math.Log(x) - 0.57721566 + x*(0.99999193+x*(-0.24991055+x*(0.05519968+x*(-0.00976004+x*0.00107857))))
	}
	return math.Exp(-x) / x * (x*(x+2.334733) + 0.250621) / (x*(x+3.330657) + 1.681534)
}

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
		x := b.A[k] * cmplx.Conj(b.B[k])
		pa, pb := power(b.A[k]), power(b.B[k])
		a, c, ripple := math.Sqrt(pa), math.Sqrt(pb), 1.0
		if v := b.VarA[k] + b.VarB[k]; v > 0 {
			u := unit(x + complex(kappa, 0)*b.Cross[k])
			mean, vary := 2*real(x*cmplx.Conj(u)), 2*real(b.Cross[k]*cmplx.Conj(u))
			high := expected(max(0, pa+pb+mean), max(0, v+vary))
			low := expected(max(0, pa+pb-mean), max(0, v-vary))
			more := max(0, (high+low)/2-pa-pb) / v
			a, c = math.Sqrt(pa+more*b.VarA[k]), math.Sqrt(pb+more*b.VarB[k])
			x, ripple = u, min(1, max(0, high-low)/(4*a*c))
		}
		s.ratio[i] = c / a
		s.cross[i] = unit(x) * complex(ripple, 0)
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

// Cell is what the efficiency of a seat is the mean of, at as many equally spaced log
// frequencies as Count says: 10 lg((1 + χ·c·cos(φ+ωτ))/((1 + c)·less)) dB,
// c = 2r/(1+r²).
type Cell struct {
	FrequencyHz float64
	PhaseRad    float64 // φ, of A·conj(B)
	Ratio       float64 // r, |B|/|A|
	Ripple      float64 // χ, 1 without noise
	LessDB      float64 // 10 lg less, 0 without noise
	PowerA      float64 // |A|²
	PowerB      float64 // |B|²
	Common      float64 // Re A·conj(B)·e^{−jφ} over the root of both, 1 without noise
	Count       int
}

// Cells are those of a seat, from 0, ascending.
func (p *Problem) Cells(seat int) []Cell {
	s := &p.seats[seat]
	var out []Cell
	for i, k := range s.cells {
		if i > 0 && k == s.cells[i-1] {
			out[len(out)-1].Count++
			continue
		}
		c := Cell{FrequencyHz: s.pair.FrequencyHz[k], PhaseRad: cmplx.Phase(s.cross[i]), Ratio: s.ratio[i], Ripple: min(1, cmplx.Abs(s.cross[i])), Count: 1}
		b := s.belief
		c.PowerA, c.PowerB = power(b.A[k])+b.VarA[k], power(b.B[k])+b.VarB[k]
		c.Common = real((b.A[k]*cmplx.Conj(b.B[k])+b.Cross[k])*cmplx.Conj(unit(s.cross[i]))) / math.Sqrt(c.PowerA*c.PowerB)
		if s.less != nil {
			c.LessDB = 10 * math.Log10(s.less[i])
		}
		out = append(out, c)
	}
	return out
}
