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
