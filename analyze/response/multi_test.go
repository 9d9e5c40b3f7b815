package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
)

func whiteNoise(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 7))
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.1 * r.NormFloat64()
	}
	return x
}

// biquad is a digital filter of second order (b0 + b1 z⁻¹ + b2 z⁻²)/(1 + a1 z⁻¹ + a2 z⁻²).
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// analog is (s² n2 + s n1 + n0)/(s² d2 + s d1 + d0), s in units of the angular
// frequency at fHz, by the bilinear transform with its frequency in place.
func analog(n2, n1, n0, d2, d1, d0, fHz, rateHz float64) biquad {
	k := math.Tan(math.Pi * fHz / rateHz)
	norm := d2 + d1*k + d0*k*k
	return biquad{
		(n2 + n1*k + n0*k*k) / norm, 2 * (n0*k*k - n2) / norm, (n2 - n1*k + n0*k*k) / norm,
		2 * (d0*k*k - d2) / norm, (d2 - d1*k + d0*k*k) / norm,
	}
}

// highPass is of second order, Butterworth.
func highPass(fHz, rateHz float64) biquad {
	return analog(1, 0, 0, 1, math.Sqrt2, 1, fHz, rateHz)
}

// lowPass is of second order, Butterworth.
func lowPass(fHz, rateHz float64) biquad {
	return analog(0, 0, 1, 1, math.Sqrt2, 1, fHz, rateHz)
}

// peak raises fHz by a factor over a width of fHz/q.
func peak(fHz, factor, q, rateHz float64) biquad {
	return analog(1, math.Sqrt(factor)/q, 1, 1, 1/math.Sqrt(factor)/q, 1, fHz, rateHz)
}

func (f biquad) filter(x []float64) []float64 {
	y := make([]float64, len(x))
	var u, v float64
	for i, s := range x {
		y[i] = f.b0*s + u
		u = f.b1*s - f.a1*y[i] + v
		v = f.b2*s - f.a2*y[i]
	}
	return y
}

func (f biquad) at(fHz, rateHz float64) complex128 {
	z := cmplx.Rect(1, -2*math.Pi*fHz/rateHz)
	return (complex(f.b0, 0) + complex(f.b1, 0)*z + complex(f.b2, 0)*z*z) / (1 + complex(f.a1, 0)*z + complex(f.a2, 0)*z*z)
}

// box is what a loudspeaker does, about: band edges and two broad peaks.
func box(rateHz float64) []biquad {
	return []biquad{highPass(45, rateHz), peak(160, 1.4, 1, rateHz), peak(2500, 0.6, 1.4, rateHz), lowPass(min(15000, 0.4*rateHz), rateHz)}
}

func through(filters []biquad, x []float64) []float64 {
	for _, f := range filters {
		x = f.filter(x)
	}
	return x
}

func responseAt(filters []biquad, fHz, rateHz float64) complex128 {
	h := complex(1, 0)
	for _, f := range filters {
		h *= f.at(fHz, rateHz)
	}
	return h
}

// measure averages everything plainly at a delay.
func measure(t *testing.T, cfg Config, delayS float64, ref, mic []float64) (*Spectra, *Curve) {
	t.Helper()
	cfg.Averaging.Mode = Infinite
	e, err := NewEstimator(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := e.SetDelay(0, delayS); err != nil {
		t.Fatal(err)
	}
	e.Feed(ref, [][]float64{mic})
	s, c := new(Spectra), new(Curve)
	e.Spectra(0, s)
	s.Curve(c)
	return s, c
}

func later(x []float64, samples int) []float64 {
	y := make([]float64, len(x))
	copy(y[samples:], x)
	return y
}

func mix(a, b []float64, gain float64) []float64 {
	y := make([]float64, len(a))
	for i := range y {
		y[i] = a[i] + gain*b[i]
	}
	return y
}

// From point to point, what is measured of a smooth system departs from the
// exact response of the filters by less than 0.05 dB and 0.5°: no step where one
// window takes over from another. And it is nowhere far from the exact response.
func TestNoStepBetweenWindows(t *testing.T) {
	rates := []float64{48000}
	if truth.Thorough {
		rates = []float64{48000, 44100, 96000, 192000}
	}
	for _, rate := range rates {
		filters := box(rate)
		ref := whiteNoise(int(120*rate), 5) // what is left of chance is below 0.03 dB, at 20 Hz
		_, c := measure(t, Config{SampleRateHz: rate}, 0, ref, through(filters, ref))
		var stepDB, stepDeg, biasDB, biasDeg, lastDB, lastDeg float64
		for i, f := range c.FrequencyHz {
			want := responseAt(filters, f, rate)
			db := c.MagnitudeDB[i] - 20*math.Log10(cmplx.Abs(want))
			deg := math.Remainder(c.PhaseDeg[i]-cmplx.Phase(want)*180/math.Pi, 360)
			if i > 0 {
				stepDB, stepDeg = max(stepDB, math.Abs(db-lastDB)), max(stepDeg, math.Abs(deg-lastDeg))
			}
			biasDB, biasDeg = max(biasDB, math.Abs(db)), max(biasDeg, math.Abs(deg))
			lastDB, lastDeg = db, deg
		}
		t.Logf("%v Hz: step %.4f dB, %.3f°; bias %.3f dB, %.2f°", rate, stepDB, stepDeg, biasDB, biasDeg)
		if stepDB > 0.05 || stepDeg > 0.5 {
			t.Errorf("%v Hz: step of %.4f dB, %.3f°", rate, stepDB, stepDeg)
		}
		if biasDB > 0.1 || biasDeg > 0.5 {
			t.Errorf("%v Hz: off the exact response by %.3f dB, %.2f°", rate, biasDB, biasDeg)
		}
		if rate == 48000 {
			const source = "exact response of the digital filters"
			truth.Claim(t, "multi-resolution, largest step from point to point: 0.05 dB", source,
				fmt.Sprintf("%.3f dB", stepDB), truth.AtMost(stepDB, "0.05"))
			truth.Claim(t, "multi-resolution, largest step from point to point: 0.5°", source,
				fmt.Sprintf("%.2f°", stepDeg), truth.AtMost(stepDeg, "0.5"))
			truth.Claim(t, "multi-resolution, largest departure from the exact response: 0.1 dB", source,
				fmt.Sprintf("%.3f dB", biasDB), truth.AtMost(biasDB, "0.1"))
		}
	}
}

// hannDelayGain is the correlation of a Hann window with itself x of its length
// later, which is what a reflection that late keeps (Seybert and Hamilton,
// J. Sound Vib. 60(1), 1978, for the effect; reference/delay_bias.csv).
func hannDelayGain(x float64) float64 {
	if x = math.Abs(x); x >= 1 {
		return 0
	}
	return (1-x)*(2+math.Cos(2*math.Pi*x))/3 + math.Sin(2*math.Pi*x)/(2*math.Pi)
}

// lagResponse is what the multi-resolution estimate of a path is on average of
// white noise: at each point the mean over its bins of the path's delays, each
// kept as far as the window correlates with itself that much later.
func lagResponse(e *Estimator, delaysS, gains []float64) []complex128 {
	h := make([]complex128, len(e.frequencyHz))
	for p, pt := range e.grid.points {
		for _, q := range pt.parts {
			if q.share == 0 {
				continue
			}
			b := e.bands[q.band]
			seconds := float64(b.size) / b.rateHz
			for i, w := range q.bins {
				f := float64(b.low+q.first+i) / seconds
				for k, late := range delaysS {
					h[p] += cmplx.Rect(q.share*w*gains[k]*hannDelayGain(late/seconds), -2*math.Pi*f*late)
				}
			}
		}
	}
	return h
}

// A reflection 20 ms late at −6 dB is a comb where 24 periods last much longer
// than that, and gone above 1.2 kHz, where they last 20 ms. The comb's extremes
// are those of the closed form, 20 lg(1 ± a), as far as the resolution goes. What
// is measured is what the lag response of window and kernel says, everywhere.
func TestReflectionIsCombBelowAndGoneAbove(t *testing.T) {
	const rate, lateS = 48000, 0.020
	a := math.Pow(10, -6.0/20)
	ref := whiteNoise(60*rate, 6)
	cfg := Config{SampleRateHz: rate}
	_, c := measure(t, cfg, 0, ref, mix(ref, later(ref, lateS*rate), a))
	theory := lagResponse(newEstimator(t, cfg), []float64{0, lateS}, []float64{1, a})
	comb := reference.Table(t, "reference/comb.csv")
	var peakDB, dipDB float64
	for _, row := range comb {
		if row.Number(t, "level_difference_db") == 6 {
			peakDB, dipDB = row.Number(t, "peak_db"), row.Number(t, "dip_db")
		}
	}
	ripple, above := 0.0, 0.0
	for _, extreme := range []struct{ f, db float64 }{{25, dipDB}, {50, peakDB}, {75, dipDB}} {
		i := nearest(c.FrequencyHz, extreme.f)
		// The nearest point of the grid may lie beside the extreme.
		exact := 20 * math.Log10(cmplx.Abs(1+cmplx.Rect(a, -2*math.Pi*c.FrequencyHz[i]*lateS)))
		if math.Abs(exact-extreme.db) > 0.1 {
			t.Fatalf("%.1f Hz is not at an extreme: %.2f dB", c.FrequencyHz[i], exact)
		}
		if e := math.Abs(c.MagnitudeDB[i] - exact); e > 0.5 {
			t.Errorf("%.1f Hz: %.2f dB, want %.2f dB", c.FrequencyHz[i], c.MagnitudeDB[i], exact)
		} else {
			ripple = max(ripple, e)
		}
	}
	points, held, squares := 0.0, 0.0, 0.0
	for i, f := range c.FrequencyHz {
		db := 20 * math.Log10(cmplx.Abs(theory[i]))
		deg := cmplx.Phase(theory[i]) * 180 / math.Pi
		if f >= 1200 {
			above = max(above, math.Abs(db))
		}
		points++
		if c.MagnitudeLowDB[i] <= db && db <= c.MagnitudeHighDB[i] && math.Abs(math.Remainder(c.PhaseDeg[i]-deg, 360)) <= c.PhaseErrorDeg[i] {
			held++
		}
		squares += math.Pow((c.MagnitudeDB[i]-db)/(c.MagnitudeHighDB[i]-c.MagnitudeLowDB[i])*2*1.96, 2)
	}
	off := math.Sqrt(squares / points)
	if above > 0.05 {
		t.Errorf("from 1.2 kHz on the comb is still %.3f dB", above)
	}
	if off > 1.3 || held < 0.9*points {
		t.Errorf("what is measured is not what the window says: %.1f %% of the intervals hold it, off by %.2f standard errors", 100*held/points, off)
	}
	const source = "Hann window's lag response (Seybert and Hamilton 1978) and kernel"
	truth.Claim(t, "20 ms reflection, comb below 100 Hz off its closed form: 0.5 dB", "comb.csv, 20 lg(1 ± a)",
		fmt.Sprintf("%.2f dB", ripple), truth.AtMost(ripple, "0.5"))
	truth.Claim(t, "20 ms reflection at −6 dB, ripple left from 24 periods = 20 ms (1.2 kHz) on: 0.05 dB", source,
		fmt.Sprintf("%.3f dB", above), truth.AtMost(above, "0.05"))
	truth.Claim(t, "20 ms reflection at −6 dB, measured off what the window says: 1 standard error, root mean square", source,
		fmt.Sprintf("%.2f", off), truth.AtMost(off, "1"))
}

// What is left of a window's resolution in the response of a box, without
// chance: less than 0.05 dB and 0.5° off the exact response of the filters.
func TestBias(t *testing.T) {
	for _, rate := range []float64{44100, 48000} {
		filters := box(rate)
		impulse := make([]float64, int(rate/5))
		impulse[0] = 1
		var delaysS, gains []float64
		for i, v := range through(filters, impulse) {
			if math.Abs(v) > 1e-8 {
				delaysS, gains = append(delaysS, float64(i)/rate), append(gains, v)
			}
		}
		e := newEstimator(t, Config{SampleRateHz: rate})
		db, deg := 0.0, 0.0
		for i, h := range lagResponse(e, delaysS, gains) {
			off := h / responseAt(filters, e.FrequencyHz()[i], rate)
			db = max(db, math.Abs(20*math.Log10(cmplx.Abs(off))))
			deg = max(deg, math.Abs(cmplx.Phase(off)*180/math.Pi))
		}
		if db > 0.05 || deg > 0.5 {
			t.Errorf("%v Hz: off the exact response by %.3f dB, %.2f°", rate, db, deg)
		}
		if rate == 48000 {
			truth.Claim(t, "multi-resolution, bias by the resolution of window and kernel: 0.05 dB", "exact response of the digital filters; Hann window's lag response",
				fmt.Sprintf("%.3f dB", db), truth.AtMost(db, "0.05"))
		}
	}
}

func nearest(grid []float64, f float64) int {
	best := 0
	for i, g := range grid {
		if math.Abs(g-f) < math.Abs(grid[best]-f) {
			best = i
		}
	}
	return best
}

// fractional delays by whole samples and a fraction, by interpolation with a
// sinc of 2·64 points under a Hann window, flat to 1e-3 dB below 0.45 of the rate.
func fractional(x []float64, samples float64) []float64 {
	const reach = 64
	whole := int(math.Floor(samples))
	part := samples - float64(whole)
	var taps [2 * reach]float64
	for i := range taps {
		d := float64(i-reach+1) - part
		if d == 0 {
			taps[i] = 1
		} else {
			taps[i] = math.Sin(math.Pi*d) / (math.Pi * d) * (0.5 + 0.5*math.Cos(math.Pi*d/reach))
		}
	}
	y := make([]float64, len(x))
	for i := range y {
		for k, v := range taps {
			if j := i - whole - (k - reach + 1); j >= 0 && j < len(x) {
				y[i] += v * x[j]
			}
		}
	}
	return y
}

// A microphone 300 ms away, between samples, loses less than 0.02 of coherence,
// and neither magnitude nor phase know of the distance; nor one that hears the
// sound before the reference does.
func TestFarMicrophone(t *testing.T) {
	const rate = 48000
	ref := whiteNoise(5*rate, 8)
	for _, tc := range []struct {
		name    string
		samples float64
		window  int
	}{
		{"300 ms", 14400.37, 0},
		{"300 ms, fixed window", 14400.37, 4096},
		{"1.5 s", 72000.5, 0},
		{"early by 100 ms", -4800.25, 0},
	} {
		x, y := ref, ref
		if tc.samples > 0 {
			y = fractional(ref, tc.samples)
		} else {
			x = fractional(ref, -tc.samples)
		}
		_, c := measure(t, Config{SampleRateHz: rate, Window: tc.window}, tc.samples/rate, x, y)
		loss, db, deg := 0.0, 0.0, 0.0
		for i, f := range c.FrequencyHz {
			if f < 20 || f > 20000 {
				continue
			}
			loss = max(loss, 1-c.Coherence[i])
			db = max(db, math.Abs(c.MagnitudeDB[i]))
			deg = max(deg, math.Abs(c.PhaseDeg[i]))
		}
		t.Logf("%s: coherence lost %.2g, %.4f dB, %.3f°", tc.name, loss, db, deg)
		if !(loss < 0.02) || db > 0.02 || deg > 0.2 {
			t.Errorf("%s: coherence lost %.2g, off by %.4f dB, %.3f°", tc.name, loss, db, deg)
		}
		if tc.samples == 14400.37 && tc.window == 0 {
			truth.Claim(t, "microphone 300 ms away, coherence lost: 0.02", "simulated path",
				fmt.Sprintf("%.1g", loss), truth.AtMost(loss, "0.02"))
		}
	}
}

// What an uncompensated delay costs a Hann window is the published table's
// figure: gain and coherence.
func TestDelayBias(t *testing.T) {
	const window = 256
	ref := whiteNoise(1<<18, 9)
	worst := 0.0
	for _, row := range reference.Table(t, "reference/delay_bias.csv") {
		late := row.Number(t, "tau_over_T")
		if d := math.Abs(hannDelayGain(late) - row.Number(t, "hann_gain")); d > 1e-5 {
			t.Errorf("closed form at %v: off by %.2g", late, d)
		}
		shift := int(math.Round(late * window))
		want := hannDelayGain(float64(shift) / window) // at whole samples
		s, _ := measure(t, Config{SampleRateHz: 48000, Window: window}, 0, ref, later(ref, shift))
		gain, coherence, bins := 0.0, 0.0, 0.0
		for k := 4; k < window/2-4; k++ {
			turn := cmplx.Rect(1, 2*math.Pi*float64(k*shift)/window)
			gain += real(s.Gxy[k] * turn / complex(s.Gxx[k], 0))
			coherence += s.Coherence(k)
			bins++
		}
		gain, coherence = gain/bins, coherence/bins
		// Coherence is biased by (1−γ²)²/n, n being the averages.
		bias := math.Pow(1-want*want, 2) / s.EffectiveAverages[20]
		for what, e := range map[string]float64{
			"gain":      gain - want,
			"coherence": coherence - bias - want*want,
		} {
			worst = max(worst, math.Abs(e))
			if math.Abs(e) > 0.003 {
				t.Errorf("delay of %v windows: %s off by %.4f", late, what, e)
			}
		}
	}
	truth.Claim(t, "bias of gain and coherence by an uncompensated delay, off the table: 0.003", "Seybert and Hamilton 1978; delay_bias.csv",
		fmt.Sprintf("%.4f", worst), truth.AtMost(worst, "0.003"))
}

// The window in use has the published figures of the Hann window (Harris, Proc.
// IEEE 66, 1978, Table 1).
func TestHannFigures(t *testing.T) {
	b := newBand(&Config{SampleRateHz: 48000, Microphones: 1, Overlap: 0.75}, 1024, 256, 1, 0, 513)
	var want reference.Row
	for _, row := range reference.Table(t, "reference/windows_harris.csv") {
		if row.Number(t, "enbw_bins") == 1.5 {
			want = row
		}
	}
	var sum, squares, half complex128
	for i, w := range b.window {
		sum += complex(w, 0)
		squares += complex(w*w, 0)
		half += complex(w, 0) * cmplx.Rect(1, -math.Pi*float64(i)/1024)
	}
	n := 1024.0
	for what, v := range map[string][2]float64{
		"coherent gain":           {real(sum) / n, want.Number(t, "coherent_gain")},
		"noise bandwidth, bins":   {n * real(squares) / real(sum*sum), want.Number(t, "enbw_bins")},
		"scalloping, dB":          {-20 * math.Log10(cmplx.Abs(half/sum)), want.Number(t, "scallop_loss_db")},
		"correlation at 75 %, %":  {100 * math.Sqrt(b.rho[0]), want.Number(t, "overlap_corr_75_pct")},
		"correlation at 50 %, %":  {100 * math.Sqrt(b.rho[1]), want.Number(t, "overlap_corr_50_pct")},
		"density, times rate·Σw²": {b.density * 48000 * real(squares), 2},
	} {
		if math.Abs(v[0]-v[1]) > 0.006 {
			t.Errorf("%s: %.4f, want %.4f", what, v[0], v[1])
		}
	}
}

// The grid is 1000·2^(k/48) within 20 Hz…20 kHz, and every point is made of bins
// within a window's resolution.
func TestGrid(t *testing.T) {
	for _, rate := range []float64{8000, 44100, 48000, 88200, 96000, 192000} {
		e, err := NewEstimator(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		f := e.FrequencyHz()
		if f[0] < 20 || f[0] > 20.3 {
			t.Errorf("%v Hz: grid begins at %v Hz", rate, f[0])
		}
		if top := f[len(f)-1]; top > min(20000, 0.46*rate) || top < min(20000, 0.46*rate)/1.0146 {
			t.Errorf("%v Hz: grid ends at %v Hz", rate, top)
		}
		if i := nearest(f, 1000); f[i] != 1000 || math.Abs(f[i+48]-2000) > 1e-9 {
			t.Errorf("%v Hz: 1 kHz and its octave are not on the grid", rate)
		}
		for p, pt := range e.grid.points {
			share := 0.0
			for _, q := range pt.parts {
				if q.share == 0 {
					continue
				}
				share += q.share
				b := e.bands[q.band]
				centre, sum := 0.0, 0.0
				for i, w := range q.bins {
					centre += w * float64(b.low+q.first+i) * b.rateHz / float64(b.size)
					sum += w
				}
				spacing := b.rateHz / float64(b.size)
				if math.Abs(sum-1) > 1e-12 || math.Abs(centre-f[p]) > 0.1*spacing {
					t.Errorf("%v Hz: %v Hz is made of bins about %v Hz of weight %v", rate, f[p], centre, sum)
				}
			}
			if math.Abs(share-1) > 1e-12 {
				t.Errorf("%v Hz: shares at %v Hz add up to %v", rate, f[p], share)
			}
		}
	}
}
