package statistics

// CoherenceCDF is P(estimate ≤ g) for n averages of Gaussian data of true coherence c.
func CoherenceCDF(g, c, n float64) float64 { return 0 }

// CoherenceMean is the mean of the estimate.
func CoherenceMean(c, n float64) float64 { return 0 }

// CoherenceThreshold is the coherence that unrelated channels exceed with
// probability alpha: 1 − alpha^(1/(n−1)); 1 for n ≤ 1.
func CoherenceThreshold(n, alpha float64) float64 { return 0 }

// UnbiasedCoherence is the true coherence whose mean estimate is g.
func UnbiasedCoherence(g, n float64) float64 { return 0 }

// Circle is the relative radius |Ĥ − H|/|Ĥ| that holds the true transfer
// function with probability p.
func Circle(g, n, p float64) float64 { return 0 }

// MagnitudeInterval is the 95 % interval of |H| relative to |Ĥ| as factors;
// low is 0 where it reaches zero, high +Inf where nothing is known.
func MagnitudeInterval(g, n float64) (low, high float64) { return 0, 0 }

// PhaseInterval is the half width of the 95 % interval of the phase in
// radians, π where nothing is known.
func PhaseInterval(g, n float64) float64 { return 0 }

// EffectiveAverages is what segments of one window, hop samples apart, are
// worth (Welch 1967).
func EffectiveAverages(window []float64, hop, segments int) float64 { return 0 }
