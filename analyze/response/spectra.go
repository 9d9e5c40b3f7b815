package response

// Spectra are the averaged auto- and cross-spectra of a reference x and one
// microphone y on a frequency grid: what every other result derives from.
//
// Densities are one-sided, in full scale squared per hertz, as
// scipy.signal.welch/csd scale them ('density'). Gxy = E[conj(X)·Y] after the
// reference was delayed by DelayS, so that a microphone later than that turns
// the phase negative (Bendat and Piersol, Random Data, 4th ed., ch. 5 and 9).
// On the multi-resolution grid, once windows of up to 2.7 s were heard, Gxx is
// measured, and Gxy and Gyy are what the path would make of a reference as strong
// that has no lines of its own (see late): H1, coherence and averages are those of
// the path, whatever is played.
//
// All slices have equal length and ascending frequency. A point that had no
// reference energy at all has Gxx = 0 and EffectiveAverages = 0.
type Spectra struct {
	SampleRateHz      float64
	Window            int     // samples; 0 for multi-resolution
	Overlap           float64 // 0…<1
	DelayS            float64 // what the reference was delayed by, seconds
	AveragedS         float64 // seconds of audio in the averages
	FrequencyHz       []float64
	Gxx, Gyy          []float64
	Gxy               []complex128
	EffectiveAverages []float64 // independent averages that the estimate is worth

	sums []float64 // scratch of Smooth
}

// Curve is the transfer function H1 = Gxy/Gxx with its certainty, as people
// read it. All slices have equal length; NaN is "unknown" (no reference energy
// there). Intervals are 95 %.
type Curve struct {
	FrequencyHz       []float64
	MagnitudeDB       []float64
	MagnitudeLowDB    []float64 // lower end of the interval; −Inf where it reaches zero
	MagnitudeHighDB   []float64
	PhaseDeg          []float64 // −180…180, after the compensation
	PhaseErrorDeg     []float64 // half width of the interval; 180 where nothing is known
	Coherence         []float64 // 0…1, the plain estimate |Gxy|²/(Gxx Gyy)
	Threshold         []float64 // coherence that unrelated channels exceed in 1 % of cases at these averages
	EffectiveAverages []float64
}
