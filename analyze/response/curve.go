package response

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/statistics"
)

// FalseTrust is the probability with which unrelated channels exceed
// Curve.Threshold.
const FalseTrust = 0.01

// Curve fills dst from s; dst's slices are reused when they are long enough.
// The intervals are those of statistics.Deviation, the threshold is
// statistics.CoherenceThreshold at FalseTrust. The coherence is the plain
// estimate, whose bias is about (1−γ²)²/EffectiveAverages.
func (s *Spectra) Curve(dst *Curve) {
	n := len(s.FrequencyHz)
	dst.FrequencyHz = append(dst.FrequencyHz[:0], s.FrequencyHz...)
	dst.EffectiveAverages = append(dst.EffectiveAverages[:0], s.EffectiveAverages...)
	for _, curve := range []*[]float64{
		&dst.MagnitudeDB, &dst.MagnitudeLowDB, &dst.MagnitudeHighDB,
		&dst.PhaseDeg, &dst.PhaseErrorDeg, &dst.Coherence, &dst.Threshold,
	} {
		*curve = resize(*curve, n)
	}
	nan := math.NaN()
	for i := range n {
		averages := s.EffectiveAverages[i]
		dst.Threshold[i] = statistics.CoherenceThreshold(averages, FalseTrust)
		known, square := s.Known(i), 0.0
		if known {
			square = power(s.H(i))
		}
		if !(square > 0) || math.IsInf(square, 1) {
			dst.MagnitudeDB[i], dst.MagnitudeLowDB[i], dst.MagnitudeHighDB[i] = nan, nan, nan
			dst.PhaseDeg[i], dst.PhaseErrorDeg[i], dst.Coherence[i] = nan, 180, nan
			if known {
				dst.Coherence[i] = 0 // a microphone of exact zeros
			}
			continue
		}
		coherence := s.Coherence(i)
		deviation := statistics.Deviation(coherence, averages)
		db := 10 * math.Log10(square)
		dst.MagnitudeDB[i] = db
		dst.MagnitudeLowDB[i] = db + 20*math.Log10(max(0, 1-deviation))
		dst.MagnitudeHighDB[i] = db + 20*math.Log10(1+deviation)
		dst.PhaseDeg[i] = cmplx.Phase(s.Gxy[i]) * 180 / math.Pi
		dst.PhaseErrorDeg[i] = 180
		if deviation < 1 {
			dst.PhaseErrorDeg[i] = math.Asin(deviation) * 180 / math.Pi
		}
		dst.Coherence[i] = coherence
	}
}
