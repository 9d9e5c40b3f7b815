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

// fadeS is how long both ends of a sweep that is played are faded, so that they do
// not click.
const fadeS = 0.01

// Played is the sweep as it is played: At with both ends faded by a raised cosine
// over 10 ms, or a quarter of a shorter sweep.
func (c Chirp) Played(seconds float64) float64 {
	v, fade := c.At(seconds), min(fadeS, c.DurationS/4)
	if edge := min(seconds, c.DurationS-seconds); edge < fade {
		v *= (1 - math.Cos(math.Pi*edge/fade)) / 2
	}
	return v
}

// Samples is Played at a sample rate, peak 1.
func (c Chirp) Samples(rateHz float64) []float64 {
	x := make([]float64, int(math.Round(c.DurationS*rateHz)))
	for i := range x {
		x[i] = c.Played(float64(i) / rateHz)
	}
	return x
}

// sweep makes the samples of a sweep of unit RMS.
func (c Config) sweep() func() float64 {
	rate := float64(c.SampleRateHz)
	chirp := Chirp{c.LowHz, c.HighHz, c.DurationS}
	period := int(math.Round(c.PeriodS * rate))
	n := 0
	return func() float64 {
		t := float64(n) / rate
		n++
		if period > 0 {
			n %= period
		}
		return math.Sqrt2 * chirp.Played(t)
	}
}
