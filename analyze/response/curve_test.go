package response

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
)

// What smoothing is said to be worth is what the spectral windows of the points
// say: the variance of the mean of correlated estimates, summed over all pairs.
func TestSmoothingIsWorthWhatItSays(t *testing.T) {
	const rate = 48000
	for _, window := range []int{0, 2048} {
		e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Averaging: Averaging{Mode: Infinite}})
		ref := whiteNoise(30*rate, 1)
		feedAll(e, ref, mix(ref, whiteNoise(30*rate, 2), 1))
		s := spectra(e, 0)
		own := map[int]float64{}
		fractions := []int{3, 12}
		if truth.Thorough {
			fractions = []int{1, 2, 3, 6, 12, 24}
		}
		for _, fraction := range fractions {
			var smooth Spectra
			Smooth(&smooth, s, fraction)
			reach := math.Exp2(0.5 / float64(fraction))
			for _, f := range []float64{40, 100, 300, 700, 1500, 5000, 12000} {
				i := nearest(s.FrequencyHz, f)
				var points []int
				for k, g := range s.FrequencyHz {
					if g > s.FrequencyHz[i]/reach*(1+1e-9) && g < s.FrequencyHz[i]*reach*(1-1e-9) {
						points = append(points, k)
					}
				}
				if len(points) < 2 {
					continue
				}
				var pairs, weights float64
				for _, k := range points {
					weights += s.weight(k)
					for _, l := range points {
						if math.Abs(s.FrequencyHz[k]-s.FrequencyHz[l]) > 6*s.bandwidth(s.FrequencyHz[k]) {
							continue
						}
						pairs += s.weight(k) * s.weight(l) * correlation(e, k, l, own) / math.Sqrt(s.EffectiveAverages[k]*s.EffectiveAverages[l])
					}
				}
				want := weights * weights / pairs
				if r := smooth.EffectiveAverages[i] / want; r < 0.85 || r > 1.15 {
					t.Errorf("window %d, 1/%d octave at %.0f Hz: %.1f averages, pairs say %.1f", window, fraction, f, smooth.EffectiveAverages[i], want)
				}
			}
		}
	}
}

// correlation of the estimates at two points: the overlap of their spectral
// windows in the limit of dense segments. own keeps what each overlaps itself.
func correlation(e *Estimator, k, l int, own map[int]float64) float64 {
	inner := func(k, l int) float64 {
		sum := 0.0
		for _, a := range windows(e, k) {
			for _, b := range windows(e, l) {
				sum += a.weight * b.weight * overlap(a.frequency, 1/a.seconds, b.frequency, 1/b.seconds)
			}
		}
		return sum
	}
	for _, i := range []int{k, l} {
		if own[i] == 0 {
			own[i] = inner(i, i)
		}
	}
	return inner(k, l) / math.Sqrt(own[k]*own[l])
}

type spectralWindow struct{ frequency, seconds, weight float64 }

// windows are the Hann windows that a point is made of.
func windows(e *Estimator, point int) (all []spectralWindow) {
	if e.grid == nil {
		b := e.bands[0]
		return []spectralWindow{{e.frequencyHz[point], float64(b.size) / b.rateHz, 1}}
	}
	for _, q := range e.grid.points[point].parts {
		b := e.bands[q.band]
		for i, w := range q.bins {
			k := float64(b.low + q.first + i)
			all = append(all, spectralWindow{k * b.rateHz / float64(b.size), float64(b.size) / b.rateHz, w * q.share})
		}
	}
	return all
}

// overlap is ∫|W(f)|²|W'(f)|² df of two Hann windows of unit noise bandwidth.
func overlap(f, bin, g, otherBin float64) float64 {
	if math.Abs(f-g) > 3*(bin+otherBin) {
		return 0
	}
	hann := func(x float64) float64 {
		if math.Abs(x) < 1e-9 {
			return 1
		}
		if math.Abs(math.Abs(x)-1) < 1e-9 {
			return 0.25
		}
		w := math.Sin(math.Pi*x) / (math.Pi * x) / (1 - x*x)
		return w * w
	}
	sum, step := 0.0, min(bin, otherBin)/8
	for x := f - 4*bin; x < f+4*bin; x += step {
		sum += hann((x-f)/bin) / (1.5 * bin) * hann((x-g)/otherBin) / (1.5 * otherBin) * step
	}
	return sum
}

// Smoothing is the mean of the powers of the reference, and of H1 and Gyy/Gxx by
// how well H1 is known at each point: the formula written out.
func TestSmoothValues(t *testing.T) {
	n := 4097
	s := &Spectra{SampleRateHz: 48000, Window: 8192, Overlap: 0.75, DelayS: 0.1, AveragedS: 3}
	s.resize(n)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range n {
		s.FrequencyHz[i] = float64(i) * 48000 / 8192
		s.Gxx[i], s.Gyy[i] = 1+r.Float64(), 2+r.Float64()
		s.Gxy[i] = complex(r.Float64(), r.Float64())
		s.EffectiveAverages[i] = 2 + 10*r.Float64()
	}
	s.EffectiveAverages[1000], s.Gxx[1000] = 0, 0 // unknown: left out
	var smooth Spectra
	for _, fraction := range []int{1, 3, 12} {
		Smooth(&smooth, s, fraction)
		reach := math.Exp2(0.5 / float64(fraction))
		about := func(i int) (points []int) {
			for k := 1; k < n; k++ {
				if s.EffectiveAverages[k] > 0 && s.FrequencyHz[k] > s.FrequencyHz[i]/reach && s.FrequencyHz[k] < s.FrequencyHz[i]*reach {
					points = append(points, k)
				}
			}
			return points
		}
		for _, i := range []int{0, 1, 40, 998, 1000, 3000, 4096} {
			var w, even, xx, yy float64
			var h complex128
			for _, k := range about(i) {
				var x float64
				var xy complex128
				for _, l := range about(k) {
					x, xy = x+s.Gxx[l]/float64(l), xy+s.Gxy[l]/complex(float64(l), 0)
				}
				usual := cmplx.Abs(xy/complex(x, 0)) * cmplx.Abs(xy/complex(x, 0))
				own := s.Gxy[k] / complex(s.Gxx[k], 0)
				variance := (s.Gyy[k]/s.Gxx[k] - cmplx.Abs(own)*cmplx.Abs(own)) / (s.EffectiveAverages[k] - 1)
				v := 1 / float64(k)
				w, xx = w+v, xx+v*s.Gxx[k]
				v /= 1 + variance/usual
				even, h, yy = even+v, h+complex(v, 0)*own, yy+v*s.Gyy[k]/s.Gxx[k]
			}
			xx /= w
			xy := h * complex(xx/even, 0)
			yy *= xx / even
			if w == 0 {
				xx, yy, xy = s.Gxx[i], s.Gyy[i], s.Gxy[i]
			}
			if len(about(i)) == 1 {
				xx, yy, xy = s.Gxx[i], s.Gyy[i], s.Gxy[i]
			}
			if math.Abs(smooth.Gxx[i]-xx) > 1e-12 || math.Abs(smooth.Gyy[i]-yy) > 1e-12 || cmplx.Abs(smooth.Gxy[i]-xy) > 1e-12 {
				t.Errorf("1/%d octave, bin %d: %v %v %v", fraction, i, smooth.Gxx[i]-xx, smooth.Gyy[i]-yy, smooth.Gxy[i]-xy)
			}
		}
		if smooth.DelayS != 0.1 || smooth.AveragedS != 3 || smooth.Window != 8192 || smooth.Overlap != 0.75 {
			t.Error("smoothing lost what the spectra are of")
		}
	}
}

// Of the 95 % intervals of smoothed curves, too, 93–97 % hold the truth.
func TestSmoothedIntervalsHoldTheTruth(t *testing.T) {
	const rate, late = 8000, 5
	runs := 150
	if truth.Thorough {
		runs = 1500
	}
	const g = 0.5
	low, high := 100.0, 0.0
	for _, window := range []int{0, 512} {
		e := newEstimator(t, Config{SampleRateHz: rate, Window: window, Averaging: Averaging{Mode: Infinite}})
		if err := e.SetDelay(0, late/float64(rate)); err != nil {
			t.Fatal(err)
		}
		hits := map[int]*[3]float64{1: {}, 3: {}, 12: {}}
		var smooth Spectra
		var c Curve
		for run := range runs {
			ref := whiteNoise(4*rate, uint64(2*run))
			mic := later(mix(ref, whiteNoise(4*rate, uint64(2*run+1)), math.Sqrt((1-g)/g)), late)
			e.Break()
			e.Reset()
			feedAll(e, ref, mic)
			s := spectra(e, 0)
			for fraction, hit := range hits {
				Smooth(&smooth, s, fraction)
				smooth.Curve(&c)
				for i, f := range c.FrequencyHz {
					if f < 40 || f > 3000 {
						continue
					}
					hit[0]++
					if c.MagnitudeLowDB[i] <= 0 && 0 <= c.MagnitudeHighDB[i] {
						hit[1]++
					}
					if math.Abs(c.PhaseDeg[i]) <= c.PhaseErrorDeg[i] {
						hit[2]++
					}
				}
			}
		}
		for fraction, hit := range hits {
			magnitude, phase := 100*hit[1]/hit[0], 100*hit[2]/hit[0]
			t.Logf("window %d, 1/%d octave: magnitude %.1f %%, phase %.1f %%", window, fraction, magnitude, phase)
			low, high = min(low, magnitude, phase), max(high, magnitude, phase)
			if min(magnitude, phase) < 93 || max(magnitude, phase) > 97 {
				t.Errorf("window %d, 1/%d octave: magnitude covered in %.1f %%, phase in %.1f %%", window, fraction, magnitude, phase)
			}
		}
	}
	truth.Claim(t, "95 % intervals of smoothed curves cover the truth, least: ≥ 93 %", "Monte Carlo",
		fmt.Sprintf("%.1f %%", low), truth.AtLeast(low, "93"))
	truth.Claim(t, "95 % intervals of smoothed curves cover the truth, most: ≤ 97 %", "Monte Carlo",
		fmt.Sprintf("%.1f %%", high), truth.AtMost(high, "97"))
}

// The impulse response of a delay, a filter and a reversed microphone is where,
// what and how it should be.
func TestImpulse(t *testing.T) {
	const rate = 48000
	ref := whiteNoise(20*rate, 3)
	echo := mix(later(ref, 960), later(ref, 1056), 0.5) // 20 ms, and 2 ms later
	for i := range echo {
		echo[i] = -echo[i]
	}
	for _, window := range []int{0, 8192} {
		s, _ := measure(t, Config{SampleRateHz: rate, Window: window}, 960.0/rate, ref, echo)
		p, err := NewImpulse(ImpulseConfig{SampleRateHz: rate, BeforeS: 0.005, AfterS: 0.02})
		if err != nil {
			t.Fatal(err)
		}
		out, start, step := p.Compute(nil, s)
		if len(out) != p.Len() || p.Len() != 1200 || step != 1000.0/rate {
			t.Fatalf("%d samples of %v ms", len(out), step)
		}
		best := 0
		for i, v := range out {
			if math.Abs(v) > math.Abs(out[best]) {
				best = i
			}
		}
		if at := start + float64(best)*step; math.Abs(at-20) > 1e-9 {
			t.Errorf("window %d: strongest at %v ms, want 20 ms", window, at)
		}
		if out[best] > -0.5 {
			t.Errorf("window %d: strongest is %.3f, want reversed", window, out[best])
		}
		if window != 0 {
			if r := out[best+96] / out[best]; math.Abs(r-0.5) > 0.03 {
				t.Errorf("echo of %.3f, want 0.5", r)
			}
		}
	}
	if _, err := NewImpulse(ImpulseConfig{SampleRateHz: 48000, AfterS: 9}); err == nil {
		t.Error("9 s are too long")
	}
}

// The time that is left, as predicted half way, is the time that it takes.
func TestProgress(t *testing.T) {
	const rate, target = 8000, 0.5
	ref := whiteNoise(80*rate, 1)
	mic := mix(ref, whiteNoise(80*rate, 2), 1)
	e := newEstimator(t, Config{SampleRateHz: rate, Averaging: Averaging{Mode: Infinite}})
	if done, left := Progress(spectra(e, 0), target, 100, 3000); done != 0 || !math.IsInf(left, 1) {
		t.Errorf("nothing averaged: %v done, %v s left", done, left)
	}
	predicted, last := math.NaN(), 0.0
	for second := 0; second < 80; second++ {
		part := ref[second*rate : (second+1)*rate]
		feedAll(e, part, mic[second*rate:(second+1)*rate])
		s := spectra(e, 0)
		done, left := Progress(s, target, 100, 3000)
		if second == 24 {
			predicted = s.AveragedS + left
		}
		last = s.AveragedS
		if left == 0 {
			if done != 1 {
				t.Errorf("no time left with %.2f done", done)
			}
			break
		}
	}
	t.Logf("predicted %.1f s, took %.1f s", predicted, last)
	if r := last / predicted; r < 0.8 || r > 1.25 {
		t.Errorf("predicted %.1f s, took %.1f s", predicted, last)
	}
	if done, left := Progress(spectra(e, 0), target, 5000, 6000); done != 0 || !math.IsInf(left, 1) {
		t.Errorf("a band without points: %v done, %v s left", done, left)
	}
}

func ExampleEstimator() {
	e, err := NewEstimator(Config{SampleRateHz: 48000})
	if err != nil {
		fmt.Println(err)
		return
	}
	// Five seconds of noise, heard half as loud, upside down and 10 ms later.
	ref := whiteNoise(5*48000, 1)
	mic := make([]float64, len(ref))
	for i := 480; i < len(mic); i++ {
		mic[i] = -0.5 * ref[i-480]
	}
	if err := e.SetDelay(0, 0.010); err != nil {
		fmt.Println(err)
		return
	}
	e.Feed(ref, [][]float64{mic})
	var s Spectra
	var c Curve
	e.Spectra(0, &s)
	s.Curve(&c)
	i := nearest(c.FrequencyHz, 1000)
	fmt.Printf("%.0f Hz: %.2f dB, %.0f°, coherence %.3f\n", c.FrequencyHz[i], c.MagnitudeDB[i], math.Abs(c.PhaseDeg[i]), c.Coherence[i])
	// Output: 1000 Hz: -6.02 dB, 180°, coherence 1.000
}
