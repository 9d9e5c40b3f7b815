package level

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/analyze/caution"
	"plumbline/analyze/fft"
)

// Calibration is what a recording of an acoustic calibrator says.
type Calibration struct {
	OffsetDB    float64 // level re 20 µPa of a full-scale sine wave
	ToneDB      float64 // level of the tone re full scale
	FrequencyHz float64
	SteadyS     float64 // seconds of steady tone that were used
	ScatterDB   float64 // standard deviation of the level from slice to slice
}

// What a calibrator's recording must be like.
const (
	sliceS       = 0.25
	leastSteadyS = 2
	steadyDB     = 0.2 // slices farther from the steady part are left out
	// More than astrayS of the calibrator's own tone at another level is no handling:
	// it was not seated, and nobody knows when.
	astrayS, sameToneDB, clearOfRest = 1.0, 30.0, 30.0
	steadyFrequency                  = 0.002 // from slice to slice, relative
	weakestToneDB                    = -80   // re full scale
	clearOfNoiseDB                   = 20
	frequencyPart                    = 0.017 // IEC 60942:2017, class 2
)

// Calibrate reads the offset off a recording of a calibrator that gives levelDB
// (94 or 114 dB, some 104 or 124 dB) at 1 kHz or 250 Hz. Handling noise at the
// start and the end is left out.
func Calibrate(x []float64, rateHz, levelDB float64) (Calibration, error) {
	var c Calibration
	if !(levelDB >= 90 && levelDB <= 126) {
		return c, fmt.Errorf("a calibrator level of %g dB: give what is printed on it, mostly 94 or 114", levelDB)
	}
	if !(rateHz >= 8000) {
		return c, fmt.Errorf("sample rate %g Hz is too low for a calibrator", rateHz)
	}
	// 8192 samples at 48 kHz and the same time at other rates.
	n := 1 << int(math.Round(math.Log2(8192*rateHz/48000)))
	hop := int(sliceS * rateHz)
	if hop < n {
		hop = n
	}
	if float64(len(x)) < leastSteadyS*rateHz {
		return c, fmt.Errorf("%.1f s of calibrator are too short: record %d s or more", float64(len(x))/rateHz, leastSteadyS)
	}
	analyzer := newToneAnalyzer(n, rateHz)
	var tones, rests []float64 // mean squares
	var frequencies []float64
	clipped := 0
	for at := 0; at+n <= len(x); at += hop {
		tone, rest, f := analyzer.analyze(x[at : at+n])
		tones, rests, frequencies = append(tones, tone), append(rests, rest), append(frequencies, f)
	}
	middle := median(tones)
	if !(10*math.Log10(2*middle) > weakestToneDB) {
		return c, errors.New("no calibrator tone: the recording is all but silent from 100 Hz to 2 kHz; check channel and gain")
	}
	middle = steadiest(tones, middle)
	var sum, squares, rest, frequency float64
	used, astray := 0, 0
	least, most := math.Inf(1), 0.0 // of the frequency
	other := math.NaN()             // the level that is farthest off, dB
	for i, tone := range tones {
		db := 10 * math.Log10(tone/middle)
		if math.Abs(db) > steadyDB {
			if tone > clearOfRest*rests[i] && math.Abs(db) < sameToneDB && off(frequencies[i], frequencies[nearest(tones, middle)]) < steadyFrequency {
				astray++
				if !(math.Abs(db) <= math.Abs(other)) {
					other = db
				}
			}
			continue
		}
		for _, v := range x[i*hop : i*hop+n] {
			if v >= caution.FullScale || v <= -caution.FullScale {
				clipped++
			}
		}
		used++
		sum += tone
		squares += db * db
		rest += rests[i]
		frequency += frequencies[i]
		least, most = min(least, frequencies[i]), max(most, frequencies[i])
	}
	k := float64(used)
	c.SteadyS = k * float64(hop) / rateHz
	c.FrequencyHz = frequency / k
	c.ToneDB = 10 * math.Log10(2*sum/k)
	c.OffsetDB = levelDB - c.ToneDB
	c.ScatterDB = math.Sqrt(squares / k)
	clear := 10 * math.Log10(sum/rest)
	switch {
	case clipped > 0:
		return c, fmt.Errorf("the calibrator's tone clips (%d samples at full scale): lower the input gain and record again", clipped)
	case clear < clearOfNoiseDB:
		side := "above"
		if clear < 0 {
			side = "below"
		}
		return c, fmt.Errorf("no calibrator tone: the strongest one, %.0f Hz, is %.0f dB %s the rest, not %d above; seat the microphone and record again", c.FrequencyHz, math.Abs(clear), side, clearOfNoiseDB)
	case off(c.FrequencyHz, 1000) > frequencyPart && off(c.FrequencyHz, 250) > frequencyPart:
		return c, fmt.Errorf("a tone of %.1f Hz is no calibrator's 1000 or 250 Hz: check sample rate and source", c.FrequencyHz)
	case most > least*(1+steadyFrequency):
		return c, fmt.Errorf("the tone wanders from %.1f to %.1f Hz, which a calibrator's does not: change its battery, or check the source", least, most)
	case c.SteadyS < leastSteadyS:
		return c, fmt.Errorf("only %.1f s of the tone are steady within ±%g dB: hold still and record again", c.SteadyS, steadyDB)
	case float64(astray)*float64(hop)/rateHz > astrayS:
		return c, fmt.Errorf("for %.1f s the tone is at another level, as far as %+.1f dB off: seat the calibrator, hold still and record again", float64(astray)*float64(hop)/rateHz, other)
	}
	return c, nil
}

// steadiest is the mean square that most slices are within steadyDB of; of equals the
// one nearest to the median.
func steadiest(tones []float64, middle float64) (best float64) {
	most := 0
	for _, t := range tones {
		if !(t > 0) {
			continue
		}
		n := 0
		for _, o := range tones {
			if math.Abs(10*math.Log10(o/t)) <= steadyDB {
				n++
			}
		}
		if n > most || n == most && math.Abs(math.Log(t/middle)) < math.Abs(math.Log(best/middle)) {
			most, best = n, t
		}
	}
	return best
}

// nearest is the index of the value that is nearest to x.
func nearest(values []float64, x float64) (best int) {
	for i, v := range values {
		if math.Abs(v-x) < math.Abs(values[best]-x) {
			best = i
		}
	}
	return best
}

func off(frequencyHz, nominalHz float64) float64 { return math.Abs(frequencyHz/nominalHz - 1) }

// toneAnalyzer splits a slice into its strongest tone and the rest.
type toneAnalyzer struct {
	plan         *fft.Real
	rateHz       float64
	window       []float64
	x            []float64
	spectrum     []complex128
	windowEnergy float64
}

func newToneAnalyzer(n int, rateHz float64) *toneAnalyzer {
	a := &toneAnalyzer{plan: fft.NewReal(n), rateHz: rateHz, window: make([]float64, n), x: make([]float64, n)}
	for i := range a.window {
		a.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
		a.windowEnergy += a.window[i] * a.window[i]
	}
	return a
}

// toneBins on either side hold a Hann-windowed tone to 1e-6 of its energy.
const toneBins = 4

// analyze returns the mean square of the strongest tone between 100 Hz and
// 2 kHz, that of all else from 100 Hz up (handling rumble below does no harm),
// and the tone's frequency.
func (a *toneAnalyzer) analyze(x []float64) (tone, rest, frequencyHz float64) {
	for i, w := range a.window {
		a.x[i] = w * x[i]
	}
	a.spectrum = a.plan.Forward(a.spectrum, a.x)
	bin := a.rateHz / float64(len(x))
	power := func(k int) float64 {
		z := a.spectrum[k]
		return real(z)*real(z) + imag(z)*imag(z)
	}
	low, strongest := int(100/bin), 0
	for k := low; float64(k)*bin <= 2000; k++ {
		if strongest == 0 || power(k) > power(strongest) {
			strongest = k
		}
	}
	var moment, all float64
	for k := max(strongest-toneBins, 1); k <= strongest+toneBins; k++ {
		tone += power(k)
		moment += power(k) * float64(k)
	}
	for k := low; k < len(a.spectrum); k++ {
		all += power(k)
	}
	scale := 2 / a.windowEnergy / float64(len(x))
	return tone * scale, max(all-tone, 0) * scale, moment / tone * bin
}

func median(x []float64) float64 {
	sorted := slices.Sorted(slices.Values(x))
	return sorted[len(sorted)/2]
}
