package statistics

import (
	"math"
	"sync/atomic"

	"gonum.org/v1/gonum/stat/distuv"
)

// Deviation is the half width of the 95 % interval of the part of Ĥ along, or
// across, the true H, relative to |Ĥ|: Student's t with 2n−2 degrees of freedom
//
//	t(2n−2; 0.975) · sqrt((1−g) / (2(n−1) g))
//
// The circle of Bendat and Piersol (Random Data, 4th ed., ch. 9), 2/(N−2) ·
// F(2, N−2; p) · (1−g) Gyy/Gxx with N = 2n, holds both parts at once, and so is too
// wide for one. The interval of |H| is |Ĥ| (1 ± Deviation), and that of the phase
// ±asin(Deviation), the part across being |Ĥ| times the sine. +Inf when nothing is known, as
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
