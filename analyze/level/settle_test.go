package level

import (
	"math"
	"testing"
)

// settled is by how many decibels a filter that begins with a white noise reads
// its level too low over the first seconds: the energy of its impulse response
// until t, averaged over t (the definition of a linear filter's response to white
// noise, e.g. Papoulis, Probability, Random Variables, and Stochastic Processes).
func settled(b *bank, band int, rateHz, seconds float64) float64 {
	const block = 48
	x := make([]float64, block)
	x[0] = 1
	energy := make([]float64, len(b.bands))
	n := int(seconds * rateHz / block)
	mean := 0.0
	for range n {
		b.add(energy, x)
		x[0] = 0
		mean += energy[band] / float64(n)
	}
	for range 6 * n {
		b.add(energy, x)
	}
	return 10 * math.Log10(mean/energy[band])
}

// After the time that is said no band reads more than half a decibel too little;
// after a quarter of it the least are a decibel off, so that it is not said for nothing.
func TestBandsSettleInTime(t *testing.T) {
	for _, fraction := range []int{1, 3} {
		worst, early := 0.0, 0.0
		bands := Bands(fraction)
		for k, band := range bands {
			if band.MidHz > 300 {
				break // blocks are too coarse there, and the filters alike
			}
			fresh := func() *bank {
				b, err := newBank(fraction, 48000)
				if err != nil {
					t.Fatal(err)
				}
				return b
			}
			worst = min(worst, settled(fresh(), k, 48000, band.SettlesS()))
			early = min(early, settled(fresh(), k, 48000, band.SettlesS()/4))
		}
		if worst < -0.5 || early > -1 {
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
