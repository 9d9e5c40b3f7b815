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
	for i := range n {
		averages := s.EffectiveAverages[i]
		dst.Threshold[i] = statistics.CoherenceThreshold(averages, FalseTrust)
		if !(averages > 0) || !(s.Gxx[i] > 0) {
			nan := math.NaN()
			dst.MagnitudeDB[i], dst.MagnitudeLowDB[i], dst.MagnitudeHighDB[i] = nan, nan, nan
			dst.PhaseDeg[i], dst.PhaseErrorDeg[i], dst.Coherence[i] = nan, 180, nan
			continue
		}
		h := s.Gxy[i] / complex(s.Gxx[i], 0)
		coherence := s.coherence(i)
		low, high := statistics.MagnitudeInterval(coherence, averages)
		db := 20 * math.Log10(cmplx.Abs(h))
		dst.MagnitudeDB[i] = db
		dst.MagnitudeLowDB[i] = db + 20*math.Log10(low)
		dst.MagnitudeHighDB[i] = db + 20*math.Log10(high)
		dst.PhaseDeg[i] = cmplx.Phase(h) * 180 / math.Pi
		dst.PhaseErrorDeg[i] = statistics.PhaseInterval(coherence, averages) * 180 / math.Pi
		dst.Coherence[i] = coherence
		if cmplx.Abs(h) == 0 { // a microphone of exact zeros
			dst.MagnitudeHighDB[i], dst.PhaseDeg[i] = math.NaN(), math.NaN()
			dst.MagnitudeDB[i], dst.MagnitudeLowDB[i] = math.NaN(), math.NaN()
		}
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

// Progress says which share of the points within lowHz…highHz has a 95 %
// interval of the magnitude no wider than targetDB from end to end, and how
// many seconds more it will take until 95 % of them have, at the coherence so
// far and with plain averaging; 0 when they have, +Inf when it cannot be told.
//
// Averages grow in proportion to time, and the interval's half width is
// Student's t times sqrt((1−γ²)/(2(n−1)γ²)) (statistics.Deviation).
func Progress(s *Spectra, targetDB, lowHz, highHz float64) (done, remainingS float64) {
	ratio := math.Pow(10, targetDB/20)
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
	done = float64(reached) / float64(points)
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
