package response

import (
	"math"

	"plumbline/analyze/statistics"
)

// FalseTrust is the probability with which unrelated channels exceed
// Curve.Threshold.
const FalseTrust = 0.01

// Curve fills dst from s; dst's slices are reused when they are long enough.
// The intervals are those of statistics.MagnitudeInterval and PhaseInterval,
// the threshold is statistics.CoherenceThreshold at FalseTrust. The coherence
// is the plain estimate, whose bias is about (1−γ²)²/EffectiveAverages;
// statistics.UnbiasedCoherence takes it out.
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
		re, im, xx := real(s.Gxy[i]), imag(s.Gxy[i]), s.Gxx[i]
		square := (re*re + im*im) / (xx * xx) // |H1|²
		if !(averages > 0 && xx > 0 && square > 0) || math.IsInf(square, 1) {
			dst.MagnitudeDB[i], dst.MagnitudeLowDB[i], dst.MagnitudeHighDB[i] = nan, nan, nan
			dst.PhaseDeg[i], dst.PhaseErrorDeg[i], dst.Coherence[i] = nan, 180, nan
			if averages > 0 && xx > 0 {
				dst.Coherence[i] = 0 // a microphone of exact zeros
			}
			continue
		}
		coherence := s.coherence(i)
		deviation := statistics.Deviation(coherence, averages)
		db := 10 * math.Log10(square)
		dst.MagnitudeDB[i] = db
		dst.MagnitudeLowDB[i] = db + 20*math.Log10(max(0, 1-deviation))
		dst.MagnitudeHighDB[i] = db + 20*math.Log10(1+deviation)
		dst.PhaseDeg[i] = math.Atan2(im, re) * 180 / math.Pi
		dst.PhaseErrorDeg[i] = 180
		if deviation < 1 {
			dst.PhaseErrorDeg[i] = math.Asin(deviation) * 180 / math.Pi
		}
		dst.Coherence[i] = coherence
	}
}

// coherence is |Gxy|²/(Gxx Gyy) of a point, 0 without energy.
func (s *Spectra) coherence(i int) float64 {
	energy := s.Gxx[i] * s.Gyy[i]
	if !(energy > 0) {
		return 0
	}
	re, im := real(s.Gxy[i]), imag(s.Gxy[i])
	return min(1, (re*re+im*im)/energy) // rounding can exceed 1
}

// progressShare of the points must be within the target: a notch that no
// averaging will ever fill must not hold up the rest.
const progressShare = 0.95

// Progress says how far a measurement has come (0…1) whose goal is a 95 %
// interval of the magnitude within ±withinDB at 95 % of the points in
// lowHz…highHz, and how many seconds more it will take at the coherence so far
// and with plain averaging; 0 when the goal is reached, +Inf when it cannot be
// told.
//
// Averages grow in proportion to time, and the interval's half width is
// Student's t times sqrt((1−γ²)/(2(n−1)γ²)) (statistics.Deviation).
func Progress(s *Spectra, withinDB, lowHz, highHz float64) (done, remainingS float64) {
	ratio := math.Pow(10, withinDB/10)
	allowed := (ratio - 1) / (ratio + 1) // (1+d)/(1−d) is the ratio
	points, reached := 0, 0
	within := func(i int, growth float64) bool {
		return s.EffectiveAverages[i] > 0 &&
			statistics.Deviation(s.coherence(i), s.EffectiveAverages[i]*growth) <= allowed
	}
	for i, f := range s.FrequencyHz {
		if f < lowHz || f > highHz {
			continue
		}
		points++
		if within(i, 1) {
			reached++
		}
	}
	if points == 0 {
		return 0, math.Inf(1)
	}
	done = min(1, float64(reached)/(progressShare*float64(points)))
	enough := func(growth float64) bool {
		n := 0
		for i, f := range s.FrequencyHz {
			if f >= lowHz && f <= highHz && within(i, growth) {
				n++
			}
		}
		return float64(n) >= progressShare*float64(points)
	}
	const most = 1e6 // times as long: it will never be
	if enough(1) {
		return done, 0
	}
	if s.AveragedS <= 0 || !enough(most) {
		return done, math.Inf(1)
	}
	low, high := 1.0, most
	for high/low > 1.001 {
		if mid := math.Sqrt(low * high); enough(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return done, s.AveragedS * (high - 1)
}
