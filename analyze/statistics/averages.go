package statistics

// Correlations are the squared correlations ρ² of the spectra of white noise in
// two segments, 1, 2, … hops apart, as long as the segments overlap (Welch,
// IEEE Trans. Audio Electroacoust. AU-15, 1967):
//
//	ρ_j = Σ w[i] w[i+j·hop] / Σ w²
func Correlations(window []float64, hop int) []float64 {
	energy := 0.0
	for _, w := range window {
		energy += w * w
	}
	var squares []float64
	for shift := hop; shift < len(window); shift += hop {
		sum := 0.0
		for i, w := range window[shift:] {
			sum += w * window[i]
		}
		sum /= energy
		squares = append(squares, sum*sum)
	}
	return squares
}

// EffectiveAverages is the number of independent averages that the plain mean
// of so many segments is worth, given their Correlations:
//
//	K / (1 + 2 Σ (1 − j/K) ρ_j²)
func EffectiveAverages(correlations []float64, segments int) float64 {
	k := float64(segments)
	sum := 1.0
	for j, square := range correlations {
		if weight := 1 - float64(j+1)/k; weight > 0 {
			sum += 2 * weight * square
		}
	}
	return k / sum
}

// EffectiveAveragesExponential is the same for an exponential average whose
// weights fall by the factor decay (0…1) from one segment to the one before,
// after it has run for long:
//
//	(1+r)/(1−r) / (1 + 2 Σ r^j ρ_j²)
func EffectiveAveragesExponential(correlations []float64, decay float64) float64 {
	sum, power := 1.0, 1.0
	for _, square := range correlations {
		power *= decay
		sum += 2 * power * square
	}
	return (1 + decay) / (1 - decay) / sum
}
