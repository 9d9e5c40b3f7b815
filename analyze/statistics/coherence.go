package statistics

import "math"

// CoherenceThreshold is the estimate that unrelated channels exceed with
// probability alpha: 1 − alpha^(1/(n−1)), for n > 1 averages of Gaussian data
// (Carter, Knapp and Nuttall, IEEE Trans. Audio Electroacoust. AU-21, 1973); 1 for
// n ≤ 1.
func CoherenceThreshold(n, alpha float64) float64 {
	if !(n > 1) {
		return 1
	}
	return -math.Expm1(math.Log(alpha) / (n - 1))
}
