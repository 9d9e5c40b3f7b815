package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
)

// congruential is the noise of testdata/scripts/welch_csd.py.
func congruential(n int, state uint32) []float64 {
	x := make([]float64, n)
	for i := range x {
		state = 1664525*state + 1013904223
		x[i] = float64(state)/(1<<31) - 1
	}
	return x
}

// scipyChannels are the two channels of testdata/scripts/welch_csd.py.
func scipyChannels() (x, y []float64) {
	const n = 20000
	x, z := congruential(n, 1), congruential(n, 2)
	y = make([]float64, n)
	for i := range x {
		x[i] += 0.25
		y[i] = 0.01*z[i] - 0.125
	}
	for _, tap := range []struct {
		lag  int
		gain float64
	}{{3, 0.5}, {4, -0.25}, {40, 0.125}} {
		for i := tap.lag; i < n; i++ {
			y[i] += tap.gain * x[i-tap.lag]
		}
	}
	return x, y
}

// A fixed window equals scipy.signal.welch and csd to 1e-9 of each value,
// however the samples come and however many microphones share the pass.
func TestFixedWindowEqualsSciPy(t *testing.T) {
	const tolerance = 1e-9
	x, y := scipyChannels()
	type setting struct{ rate, window, overlap float64 }
	made := map[setting]*Spectra{}
	worst := 0.0
	for _, row := range reference.Table(t, "welch_csd.csv") {
		key := setting{row.Number(t, "rate_hz"), row.Number(t, "window"), row.Number(t, "noverlap")}
		s := made[key]
		if s == nil {
			overlap := key.overlap / key.window
			if overlap == 0 {
				overlap = NoOverlap
			}
			e, err := NewEstimator(Config{
				SampleRateHz: key.rate, Window: int(key.window), Overlap: overlap, Microphones: 3,
				Averaging: Averaging{Mode: Infinite}, EverySegment: true,
			})
			if err != nil {
				t.Fatal(err)
			}
			for from, n := 0, 1; from < len(x); from, n = from+n, n*3%1009+1 {
				to := min(from+n, len(x))
				e.Feed(x[from:to], [][]float64{x[from:to], y[from:to], y[from:to]})
			}
			s = new(Spectra)
			e.Spectra(2, s)
			made[key] = s
		}
		k := int(row.Number(t, "bin"))
		if f := row.Number(t, "bin") * key.rate / key.window; s.FrequencyHz[k] != f {
			t.Errorf("%v: bin %d lies at %v Hz, want %v Hz", key, k, s.FrequencyHz[k], f)
		}
		gxy := complex(row.Number(t, "gxy_re"), row.Number(t, "gxy_im"))
		for what, e := range map[string]float64{
			"Gxx":       math.Abs(s.Gxx[k]-row.Number(t, "gxx")) / row.Number(t, "gxx"),
			"Gyy":       math.Abs(s.Gyy[k]-row.Number(t, "gyy")) / row.Number(t, "gyy"),
			"Gxy":       cmplx.Abs(s.Gxy[k]-gxy) / cmplx.Abs(gxy),
			"coherence": math.Abs(s.Coherence(k)-row.Number(t, "coherence")) / row.Number(t, "coherence"),
		} {
			worst = max(worst, e)
			if !(e <= tolerance) {
				t.Errorf("%v bin %d: %s off by %.2g", key, k, what, e)
			}
		}
	}
	truth.Claim(t, "fixed window equals scipy, relative: 1e-9", "scipy.signal.welch/csd 1.10.1",
		fmt.Sprintf("%.1e", worst), truth.AtMost(worst, "1e-9"))
}
