package statistics

import (
	"math"
	"sync/atomic"

	"gonum.org/v1/gonum/stat/distuv"
)

// Circle is the radius |Ĥ − H|/|Ĥ| that holds the true transfer function with
// probability p, for the estimate H1 at estimated coherence g from n averages:
//
//	|Ĥ − H|² ≤ 2/(N−2) · F(2, N−2; p) · (1−g) Gyy/Gxx,  N = 2n
//
// (Bendat and Piersol, Random Data, 4th ed., ch. 9). Gyy/Gxx = |Ĥ|²/g, and the
// quantile of F(2, d) has the closed form d/2·((1−p)^(−2/d) − 1). +Inf when
// nothing is known.
func Circle(g, n, p float64) float64 {
	if !(n > 1) || !(g > 0) {
		return math.Inf(1)
	}
	return math.Sqrt(math.Expm1(-math.Log1p(-p)/(n-1)) * max(0, 1-g) / g)
}

// Deviation is the half width of the 95 % interval of the part of Ĥ along, or
// across, the true H, relative to |Ĥ|. The circle is that of Circle cut to one
// of its two independent parts: Student's t with 2n−2 degrees of freedom
//
//	t(2n−2; 0.975) · sqrt((1−g) / (2(n−1) g))
//
// which the radius of the circle over-covers. +Inf when nothing is known, as
// with less than 1.25 averages.
func Deviation(g, n float64) float64 {
	t := student975(2*n - 2)
	if !(g > 0) || math.IsInf(t, 1) {
		return math.Inf(1)
	}
	return t * math.Sqrt(max(0, 1-g)/(2*(n-1)*g))
}

// AveragesFor is how many averages make Deviation no larger than deviation at
// coherence g: its inverse, to 1 % from three averages on; at least two. +Inf
// without coherence.
func AveragesFor(deviation, g float64) float64 {
	if !(g > 0 && deviation > 0) {
		return math.Inf(1)
	}
	scale := max(0, 1-g) / (2 * g * deviation * deviation) // n − 1 = t²·scale
	n := 2 + 4*scale
	for range 12 { // t falls with n: halving the steps keeps them from swinging
		t := student975(2*n - 2)
		n = max(2, (n+1+t*t*scale)/2)
	}
	return n
}

// MagnitudeInterval is the 95 % interval of |H| as factors of |Ĥ|: 1 ±
// Deviation. low is 0 where the interval reaches zero, high +Inf where nothing
// is known.
func MagnitudeInterval(g, n float64) (low, high float64) {
	d := Deviation(g, n)
	return max(0, 1-d), 1 + d
}

// PhaseInterval is the half width of the 95 % interval of the phase in radians:
// the part of Ĥ across the true H is |Ĥ|·sin of the error, so it is
// asin(Deviation). π where nothing is known.
func PhaseInterval(g, n float64) float64 {
	d := Deviation(g, n)
	if !(d < 1) {
		return math.Pi
	}
	return math.Asin(d)
}

// SpectrumInterval is the interval of probability p of an averaged autospectrum
// G as factors: N·G/chi²(N) at both ends, N = 2n (Bendat and Piersol, 8.163).
func SpectrumInterval(n, p float64) (low, high float64) {
	if !(n > 0) {
		return 0, math.Inf(1)
	}
	chi := distuv.ChiSquared{K: 2 * n}
	return 2 * n / chi.Quantile(1-(1-p)/2), 2 * n / chi.Quantile((1-p)/2)
}

// student975 is the 97.5 % quantile of Student's t with v degrees of freedom,
// to 2e-6 relative; +Inf below half a degree. A table over 1/v does, of the
// quantile where it is nearly straight, else of its logarithm, which is: a curve
// asks for it at each of its points.
func student975(v float64) float64 {
	if !(v >= 0.5) {
		return math.Inf(1)
	}
	x := studentSteps / (2 * v)
	i := min(int(x), studentSteps-1)
	f := x - float64(i)
	low, high := studentAt(i), studentAt(i+1)
	if i < studentSteps/4 {
		return low + f*(high-low)
	}
	return low * math.Pow(high/low, f)
}

const studentSteps = 2048

// studentTable has the bits of what was asked for yet: a curve has few numbers of
// averages, and each entry takes as long as some points of it.
var studentTable [studentSteps + 1]atomic.Uint64

// studentAt is entry i, at studentSteps/2i degrees of freedom.
func studentAt(i int) float64 {
	if bits := studentTable[i].Load(); bits != 0 {
		return math.Float64frombits(bits)
	}
	t := 0.0
	if i == 0 {
		t = distuv.UnitNormal.Quantile(0.975)
	} else {
		t = distuv.StudentsT{Sigma: 1, Nu: studentSteps / (2 * float64(i))}.Quantile(0.975)
	}
	studentTable[i].Store(math.Float64bits(t))
	return t
}
