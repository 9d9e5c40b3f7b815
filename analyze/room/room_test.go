package room

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/internal/truth"
	"plumbline/analyze/level"
)

const rate = 48000

// slope is a part of a decay: p² = amplitude·e^(−t·6 ln(10)/timeS).
type slope struct{ amplitude, timeS float64 }

func power(slopes []slope, t float64) (p2 float64) {
	for _, s := range slopes {
		p2 += s.amplitude * math.Exp(-t*6*math.Ln10/s.timeS)
	}
	return p2
}

// signs is a decay of random signs: its square is the decay itself, so that broadband
// there is no chance in it but that of the noise.
func signs(slopes []slope, beforeS, lengthS, noiseDB float64, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	h := make([]float64, int(lengthS*rate))
	noise := math.Pow(10, noiseDB/20) * math.Sqrt(power(slopes, 0))
	zero := int(beforeS * rate)
	for i := range h {
		h[i] = noise * r.NormFloat64()
		if i >= zero {
			h[i] += float64(2*r.IntN(2)-1) * math.Sqrt(power(slopes, float64(i-zero)/rate))
		}
	}
	return h
}

// expected is the squared response of a band to a decay of white noise as it is on the
// average over all such noises, which has no chance in it: the decay convolved with the
// square of the filter's own response. The noise behind it is one of them.
func expected(slopes []slope, band level.Band, beforeS, lengthS, noiseDB float64, seed uint64) (p2 []float64, zero int) {
	r := rand.New(rand.NewPCG(seed, 2))
	x := make([]float64, int(lengthS*rate))
	zero = int(beforeS * rate)
	x[zero] = 1
	kernel := newFilters(x, rate).through(band)
	p2 = make([]float64, len(x))
	for _, s := range slopes {
		sum, q := 0.0, math.Exp(-6*math.Ln10/s.timeS/rate)
		for i, v := range kernel {
			sum = q*sum + v*v
			p2[i] += s.amplitude * sum
		}
	}
	for i := range x {
		x[i] = r.NormFloat64() * math.Sqrt(power(slopes, 0)) * math.Pow(10, noiseDB/20)
	}
	for i, v := range newFilters(x, rate).through(band) {
		p2[i] += v * v
	}
	return p2, zero
}

// octaveOf is what there is to say of such a decay.
func octaveOf(slopes []slope, band level.Band, lengthS, noiseDB float64, seed uint64, m *[frequencies]float64) Band {
	p2, zero := expected(slopes, band, 0.1, lengthS, noiseDB, seed)
	b := describe(p2, zero, rate, band.HighHz-band.LowHz, m)
	b.NominalHz = band.NominalHz
	return b
}

// from125 are the octaves from 125 Hz.
func from125() (bands []level.Band) {
	for _, b := range level.Bands(1) {
		if b.NominalHz >= 125 && b.NominalHz <= 8000 {
			bands = append(bands, b)
		}
	}
	return bands
}

func analyzed(t testing.TB, h []float64, cfg Config) *Room {
	t.Helper()
	cfg.SampleRateHz = rate
	r, err := Analyze(h, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// broadband is what there is to say of h itself, of which the direct sound is at beforeS:
// Analyze without the bands.
func broadband(h []float64, beforeS float64) Band {
	return describe(squares(make([]float64, len(h)), h), int(beforeS*rate), rate, rate/2, nil)
}

// integrated is the line through the exact backward integral of slopes, by the same
// definition: the time by least squares between two levels.
func integrated(slopes []slope, fromDB, toDB float64) float64 {
	energy := func(t float64) (e float64) {
		for _, s := range slopes {
			e += s.amplitude * s.timeS / (6 * math.Ln10) * math.Exp(-t*6*math.Ln10/s.timeS)
		}
		return e
	}
	var line regression
	for t := 0.0; ; t += 1e-4 {
		l := 10 * math.Log10(energy(t)/energy(0))
		if l < toDB {
			break
		}
		if l <= fromDB {
			line.add(t, l)
		}
	}
	b, _ := line.fit()
	return -60 / b
}

func off(got, want float64) float64 { return 100 * math.Abs(got/want-1) }

// worse keeps the largest deviation; what is not known is none, and counted.
type worst struct {
	percent float64
	told    int
}

func (w *worst) see(got, want float64) {
	if !math.IsNaN(got) {
		w.told++
		w.percent = max(w.percent, off(got, want))
	}
}

// TestKnownDecays: times from 0.3 to 6 s with noise 40 to 70 dB below their beginning,
// and double slopes.
func TestKnownDecays(t *testing.T) {
	type known struct {
		slopes  []slope
		noiseDB float64
	}
	var all []known
	times, floors := []float64{0.3, 1.5}, []float64{-40, -55, -70}
	if truth.Thorough {
		times, floors = []float64{0.3, 0.5, 0.8, 1, 1.5, 2, 3, 4.5, 6}, []float64{-40, -45, -50, -55, -60, -65, -70}
	}
	for _, s := range times {
		for _, f := range floors {
			all = append(all, known{[]slope{{1, s}}, f})
		}
	}
	all = append(all, known{[]slope{{1, 0.5}, {0.01, 2}}, -60}, known{[]slope{{1, 0.4}, {0.003, 1.5}}, -70}, known{[]slope{{1, 1}, {0.003, 4}}, -65})
	broad, octave := make([]worst, len(all)), make([]worst, len(all))
	broadAt, octaveAt := make([]string, len(all)), make([]string, len(all))
	truth.Trials(len(all), func(i int) {
		k := all[i]
		longest := 0.0
		for _, s := range k.slopes {
			longest = max(longest, s.timeS)
		}
		length := 0.3 + longest*(10-k.noiseDB)/60*1.3
		b := broadband(signs(k.slopes, 0.1, length, k.noiseDB, uint64(i)), 0.1)
		edt, t20, t30 := integrated(k.slopes, 0, -10), integrated(k.slopes, -5, -25), integrated(k.slopes, -5, -35)
		broad[i].see(b.EDTS, edt)
		broad[i].see(b.T20S, t20)
		broad[i].see(b.T30S, t30)
		broadAt[i] = fmt.Sprintf("%v %g: EDT %.3f %.3f, T20 %.3f %.3f, T30 %.3f %.3f, range %.1f", k.slopes, k.noiseDB, b.EDTS, edt, b.T20S, t20, b.T30S, t30, b.DecayRangeDB)
		if want := k.noiseDB <= -46; (!math.IsNaN(b.T30S)) != want && k.noiseDB != -45 && len(k.slopes) == 1 {
			t.Errorf("%s: T30 told: %v, want %v (%s)", broadAt[i], !want, want, b.Reason)
		}
		if len(k.slopes) > 1 && (b.Remark == "" || !strings.Contains(b.Remark, "two slopes")) {
			t.Errorf("%v: %q says nothing of two slopes", k.slopes, b.Remark)
		}
		bands := from125()
		if !truth.Thorough {
			bands = []level.Band{bands[i%7], bands[0]}
		}
		for _, band := range bands {
			b := octaveOf(k.slopes, band, length, k.noiseDB, uint64(i), nil)
			for _, v := range [][2]float64{{b.EDTS, edt}, {b.T20S, t20}, {b.T30S, t30}} {
				before := octave[i].percent
				octave[i].see(v[0], v[1])
				if octave[i].percent > before {
					octaveAt[i] = fmt.Sprintf("%v %g, %g Hz: %.3f for %.3f, range %.1f", k.slopes, k.noiseDB, b.NominalHz, v[0], v[1], b.DecayRangeDB)
				}
			}
		}
	})
	var b, o worst
	var bt, ot string
	for i := range all {
		if broad[i].percent > b.percent {
			b.percent, bt = broad[i].percent, broadAt[i]
		}
		if octave[i].percent > o.percent {
			o.percent, ot = octave[i].percent, octaveAt[i]
		}
		b.told += broad[i].told
		o.told += octave[i].told
	}
	t.Logf("broadband %.2f %%: %s\noctaves %.2f %%: %s", b.percent, bt, o.percent, ot)
	if b.told < 2*len(all) || o.told < 4*len(all) {
		t.Errorf("told %d and %d times", b.told, o.told)
	}
	truth.Claim(t, "decays of 0.3…6 s over noise at −40…−70 dB and double slopes: EDT, T20, T30 broadband within 2 %",
		"ISO 3382-1:2009, 5.3.3; least squares through the exact integral", fmt.Sprintf("%.2f %% at worst of %d", b.percent, b.told), truth.AtMost(b.percent, "2"))
	truth.Claim(t, "decays of 0.3…6 s over noise at −40…−70 dB and double slopes: the same in octaves from 125 Hz to 8 kHz within 5 %",
		"ISO 3382-1:2009, 5.3.3; least squares through the exact integral", fmt.Sprintf("%.2f %% at worst of %d", o.percent, o.told), truth.AtMost(o.percent, "5"))
}

// What goes on at its level before it decays was no impulse, and is not taken for one.
func TestSoundThatGoesOnIsNoImpulse(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 14))
	for _, lastsS := range []float64{0, 1} {
		h := make([]float64, 4*rate)
		for i := range h {
			h[i] = r.NormFloat64() * math.Exp(-3*math.Ln10*max(0, float64(i)/rate-lastsS)) // 1 s of decay time
		}
		found, err := Analyze(append(make([]float64, rate/10), h...), Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		if said := strings.Contains(found.Broadband.Remark, "as no impulse does"); said != (lastsS > 0) {
			t.Errorf("noise of %g s before it decays: %q", lastsS, found.Broadband.Remark)
		}
	}
}

// A reflection that the noise in front of the direct sound could be is none; out of less
// noise it stands.
func TestNoiseIsNoReflection(t *testing.T) {
	for _, c := range []struct {
		noise float64 // standard deviation
		found int
	}{{1e-4, 1}, {1e-3, 1}, {0.015, 0}, {0.04, 0}} {
		r := rand.New(rand.NewPCG(14, 1))
		h := make([]float64, rate)
		for i := range h {
			h[i] = c.noise * r.NormFloat64()
		}
		const direct, late = rate / 4, rate / 50
		h[direct] += 1
		h[direct+late] += 0.2
		list := Reflections(h, rate, 340)
		if len(list) != c.found {
			t.Errorf("noise of %g: %+v, want %d", c.noise, list, c.found)
		}
		if len(list) == 1 && math.Abs(list[0].DelayMs-20) > 0.05 {
			t.Errorf("noise of %g: %+v, want it after 20 ms", c.noise, list[0])
		}
	}
}
