package level

import (
	"math"
	"testing"
)

// settled is by how many decibels a filter that begins with a white noise reads
// its level too low over the first seconds: the energy of its impulse response
// until t, averaged over t (the definition of a linear filter's response to white
// noise, e.g. Papoulis, Probability, Random Variables, and Stochastic Processes).
func settled(filter cascade, rateHz, seconds float64) float64 {
	x := make([]float64, int(8*seconds*rateHz))
	x[0] = 1
	filter.reset()
	filter.filter(x, x)
	n, energy, mean := int(seconds*rateHz), 0.0, 0.0
	for i, v := range x {
		if energy += v * v; i < n {
			mean += energy / float64(n)
		}
	}
	return 10 * math.Log10(mean/energy)
}

// After the time that is said no band reads more than half a decibel too little;
// after a quarter of it the worst is a decibel off, so that it is not said for nothing.
func TestBandsSettleInTime(t *testing.T) {
	const rateHz = 3000 // at which the bank filters the lowest bands
	for _, fraction := range []int{1, 3} {
		worst, early := 0.0, 0.0
		for _, band := range Bands(fraction) {
			if band.HighHz > rateHz/16 {
				break // further up the filters are alike, at higher rates
			}
			filter, err := newBandFilter(band, fraction, rateHz)
			if err != nil {
				t.Fatal(err)
			}
			worst = min(worst, settled(filter, rateHz, band.SettlesS()))
			early = min(early, settled(filter, rateHz, band.SettlesS()/4))
		}
		if worst < -0.5 || worst > -0.1 || early > -1 {
			t.Errorf("1/%d octave: %.2f dB off when settled, %.2f dB at a quarter of that time", fraction, worst, early)
		}
	}
}

// 10 lg(1 − e^(−T/τ)) of IEC 61672-1:2013, Formula 7, at three time constants.
func TestTimeWeightingsSettleInTime(t *testing.T) {
	for _, c := range []struct{ tau, settles float64 }{{fastS, FastSettlesS}, {slowS, SlowSettlesS}} {
		if off := 10 * math.Log10(-math.Expm1(-c.settles/c.tau)); off < -0.25 {
			t.Errorf("τ = %g s: %.2f dB off", c.tau, off)
		}
	}
}

// What a recording is too short for is unknown and has a reason; the rest stays.
func TestHideUnsettled(t *testing.T) {
	for _, c := range []struct {
		seconds                   float64
		weighted, fast, slow, low bool // known: LAeq, LAFmax, LASmax, the 16 Hz band
	}{{0.0001, false, false, false, false}, {0.1, true, false, false, false}, {1, true, true, false, false}, {2.9, true, true, false, true}, {4, true, true, true, true}} {
		m, err := NewMeter(Config{SampleRateHz: 48000, Bands: 3})
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, max(1, int(c.seconds*48000)))
		for i := range x {
			x[i] = 0.1 * math.Sin(float64(i))
		}
		m.Feed(x)
		var r Reading
		m.Read(&r)
		reason, ofBands := r.HideUnsettled(m.Bands())
		known := func(x float64) bool { return !math.IsNaN(x) }
		if known(r.LAeqDB) != c.weighted || known(r.LCPeakDB) != c.weighted || known(r.LAFMaxDB) != c.fast || known(r.L50DB) != c.fast || known(r.LASMaxDB) != c.slow || known(r.BandLeqDB[0]) != c.low || !known(r.LZeqDB) {
			t.Errorf("%g s: %+v", c.seconds, r)
		}
		if (reason == "") != c.slow || (ofBands == "") != c.low {
			t.Errorf("%g s: %q, %q", c.seconds, reason, ofBands)
		}
		for _, db := range append([]float64{r.LAeqDB, r.LZeqDB, r.LAFMaxDB, r.LASMaxDB}, r.BandLeqDB...) {
			if db < -140 { // 24 bits end there
				t.Errorf("%g s: a level of %.0f dB", c.seconds, db)
			}
		}
	}
}
