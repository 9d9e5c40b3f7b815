package summation

import "math"

// Comb is what a plain delay between two sources does to their sum over
// frequency: notches at (2n+1)/(2|τ|) and peaks at n/|τ|, the other way round at
// opposite polarity (elementary wave superposition, e.g. Kinsler et al.,
// Fundamentals of Acoustics).
type Comb struct {
	NotchHz, PeakHz []float64 // within the band, ascending; at most 1000 each
	NotchDB, PeakDB float64   // re the louder source; NotchDB is −Inf for equal levels
}

// NewComb reads the comb off an offset, a level difference (either sign) and a
// polarity (+1 same, −1 opposite). Without an offset there is neither notch nor peak.
func NewComb(offsetMs, differenceDB float64, sign int, band Band) Comb {
	a := math.Pow(10, -math.Abs(differenceDB)/20)
	c := Comb{NotchDB: 20 * math.Log10(1-a), PeakDB: 20 * math.Log10(1+a)}
	even, odd := &c.PeakHz, &c.NotchHz
	if sign < 0 {
		even, odd = odd, even
	}
	half := 500 / math.Abs(offsetMs) // 1/(2τ)
	for n := math.Ceil(band.LowHz / half); n*half <= band.HighHz && len(*odd) < 1000; n++ {
		if math.Mod(n, 2) == 0 {
			*even = append(*even, n*half)
		} else {
			*odd = append(*odd, n*half)
		}
	}
	return c
}
