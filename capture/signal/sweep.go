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
