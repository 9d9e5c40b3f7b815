package statistics

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// CoherenceCDF is P(estimate ≤ g) for n > 1 averages of Gaussian data of true
// coherence c: the exact distribution of Carter, Knapp and Nuttall (IEEE Trans.
// Audio Electroacoust. AU-21, 1973), written as a mixture that also holds for n
// that are not whole. Given k, negative binomial of n and c, the estimate is
// Beta(1+k, n−1).
func CoherenceCDF(g, c, n float64) float64 {
	switch {
	case !(n > 1) || !(c >= 0) || c > 1 || math.IsNaN(g):
		return math.NaN()
	case g <= 0:
		return 0
	case g >= 1:
		return 1
	case c == 0:
		return 1 - math.Pow(1-g, n-1)
	case c == 1:
		return 0
	}
	sum := 0.0
	b := n - 1
	logB, _ := math.Lgamma(b)
	logG, log1G := math.Log(g), math.Log1p(-g)
	var beta float64 // I_g(1+k, n−1)
	started := false
	mixture(c, n, func(k int, weight float64) {
		a := 1 + float64(k)
		if !started {
			beta, started = mathext.RegIncBeta(a, b, g), true
		}
		sum += weight * beta
		// I_x(a+1, b) = I_x(a, b) − x^a (1−x)^b / (a B(a, b))
		p, _ := math.Lgamma(a + b)
		q, _ := math.Lgamma(a + 1)
		beta = max(0, beta-math.Exp(p-q-logB+a*logG+b*log1G))
	})
	return min(sum, 1)
}

// CoherenceMean is the mean of the estimate (same source); CoherenceMean − c is
// the bias, about (1−c)²/n.
func CoherenceMean(c, n float64) float64 {
	if !(n >= 1) || !(c >= 0) || c > 1 {
		return math.NaN()
	}
	if c == 1 {
		return 1
	}
	sum := 0.0
	mixture(c, n, func(k int, weight float64) {
		sum += weight * (1 + float64(k)) / (n + float64(k))
	})
	return sum
}

// mixture calls f with the weights (1−c)^n (n)_k c^k/k! that matter.
func mixture(c, n float64, f func(k int, weight float64)) {
	mean := n * c / (1 - c)
	spread := 9*math.Sqrt(mean/(1-c)) + 40/(1-c)
	first := int(max(0, mean-spread))
	logC, log1C := math.Log(c), math.Log1p(-c)
	logN, _ := math.Lgamma(n)
	a, _ := math.Lgamma(n + float64(first))
	b, _ := math.Lgamma(float64(first) + 1)
	weight := math.Exp(n*log1C + a - logN - b + float64(first)*logC)
	if first == 0 {
		weight = math.Exp(n * log1C) // also when c is 0
	}
	for k := first; float64(k) <= mean+spread; k++ {
		f(k, weight)
		weight *= c * (n + float64(k)) / (1 + float64(k))
	}
}

// CoherenceThreshold is the estimate that unrelated channels exceed with
// probability alpha: 1 − alpha^(1/(n−1)), from the same distribution at c = 0;
// 1 for n ≤ 1.
func CoherenceThreshold(n, alpha float64) float64 {
	if !(n > 1) {
		return 1
	}
	return -math.Expm1(math.Log(alpha) / (n - 1))
}

// UnbiasedCoherence is the true coherence whose estimate has the mean g; 0 for
// g below the mean of unrelated channels, 1/n.
func UnbiasedCoherence(g, n float64) float64 {
	if !(n > 1) || math.IsNaN(g) {
		return math.NaN()
	}
	low, high := 0.0, min(max(g, 0), 1) // the bias is never negative
	for high-low > 1e-9 {
		mid := (low + high) / 2
		if CoherenceMean(mid, n) < g {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}
