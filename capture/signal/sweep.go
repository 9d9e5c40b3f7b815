package signal

import "math"

// Chirp is an exponential sweep (A. Farina, "Simultaneous measurement of
// impulse response and distortion with a swept-sine technique", AES 108th
// Convention, 2000; ISO 18233):
//
//	x(t) = sin(2π f1 L (e^(t/L) − 1)),  L = T / ln(f2/f1),  0 ≤ t < T
//
// Its frequency is f1 e^(t/L) and its spectrum falls by 3.01 dB an octave.
type Chirp struct {
	LowHz, HighHz float64 // f1, f2
	DurationS     float64 // T
}

// TimeConstantS is L, the time in which the frequency grows by e.
func (c Chirp) TimeConstantS() float64 { return c.DurationS / math.Log(c.HighHz/c.LowHz) }

// At is the sweep at a time, peak 1; 0 outside it.
func (c Chirp) At(seconds float64) float64 {
	if seconds < 0 || seconds >= c.DurationS {
		return 0
	}
	l := c.TimeConstantS()
	return math.Sin(2 * math.Pi * c.LowHz * l * math.Expm1(seconds/l))
}

// AdvanceS is how long before the linear response the distortion product of an
// order appears after deconvolution: L ln(order).
func (c Chirp) AdvanceS(order int) float64 { return c.TimeConstantS() * math.Log(float64(order)) }

// Samples is the sweep at a sample rate, peak 1.
func (c Chirp) Samples(rateHz int) []float64 {
	x := make([]float64, int(math.Round(c.DurationS*float64(rateHz))))
	for i := range x {
		x[i] = c.At(float64(i) / float64(rateHz))
	}
	return x
}

// Inverse is the filter that turns the sweep into a pulse: the sweep backwards,
// 6.02 dB down for each octave towards the low end, scaled so that the pulse
// has unit height. Of the full convolution of N with N samples the linear
// response begins at sample N−1.
func (c Chirp) Inverse(rateHz int) []float64 {
	x := c.Samples(rateHz)
	n := len(x)
	l := c.TimeConstantS() * float64(rateHz)
	inv := make([]float64, n)
	sum := 0.0
	for i := range inv {
		inv[i] = x[n-1-i] * math.Exp(-float64(i)/l)
		sum += inv[i] * x[n-1-i]
	}
	for i := range inv {
		inv[i] /= sum
	}
	return inv
}

// sweep makes the samples of a sweep of unit RMS with its ends faded.
func (c Config) sweep() func() float64 {
	rate := float64(c.SampleRateHz)
	chirp := Chirp{c.LowHz, c.HighHz, c.DurationS}
	fade := min(c.RampS, 0.01, c.DurationS/4)
	period := int(math.Round(c.PeriodS * rate))
	n := 0
	return func() float64 {
		t := float64(n) / rate
		n++
		if period > 0 {
			n %= period
		}
		v := math.Sqrt2 * chirp.At(t)
		if edge := min(t, c.DurationS-t); edge < fade && edge >= 0 {
			v *= (1 - math.Cos(math.Pi*edge/fade)) / 2
		}
		return v
	}
}
