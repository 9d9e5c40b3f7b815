package level

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"plumbline/analyze/fft"
)

// coloured is Gaussian noise between two frequencies of unit RMS, its power
// density falling by dbPerOctave.
func coloured(seed uint64, n int, rateHz, lowHz, highHz, dbPerOctave float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 9))
	spectrum := make([]complex128, n/2+1)
	for k := range spectrum {
		if f := float64(k) * rateHz / float64(n); f >= lowHz && f <= highHz {
			g := math.Pow(f, -dbPerOctave/20/math.Log10(2))
			spectrum[k] = complex(g*rng.NormFloat64(), g*rng.NormFloat64())
		}
	}
	x := fft.NewReal(n).Inverse(nil, spectrum)
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	for i := range x {
		x[i] /= math.Sqrt(sum / float64(n))
	}
	return x
}

// Weighted less unweighted level of noise from 20 Hz to 20 kHz, computed from
// the formula of IEC 61672-1 Annex E: pink A −2.859, C −1.112 dB; white A −2.048,
// C −3.450 dB.
func TestWeightedNoise(t *testing.T) {
	for _, test := range []struct {
		name        string
		dbPerOctave float64
		a, c        float64
	}{{"pink", 10 * math.Log10(2), -2.859, -1.112}, {"white", 0, -2.048, -3.450}} {
		for _, rate := range []float64{44100, 48000, 96000} {
			m := newMeter(t, Config{SampleRateHz: rate})
			m.Feed(coloured(1, 1<<21, rate, 20, 20000, test.dbPerOctave))
			r := read(m)
			// 2^21 samples: standard deviation of the difference below 0.02 dB.
			if a, c := r.LAeqDB-r.LZeqDB, r.LCeqDB-r.LZeqDB; math.Abs(a-test.a) > 0.06 || math.Abs(c-test.c) > 0.06 {
				t.Errorf("%s noise at %g Hz: A %.3f, C %.3f dB, want %.3f, %.3f", test.name, rate, a, c, test.a, test.c)
			}
		}
	}
}

// Pink noise has the same level in every band; white noise rises by 1.000 dB
// a third octave (IEC 61260-1: base 10).
func TestBandsOfNoise(t *testing.T) {
	for _, test := range []struct{ dbPerOctave, slope float64 }{{10 * math.Log10(2), 0}, {0, 1}} {
		m := newMeter(t, Config{SampleRateHz: 48000, Bands: 3})
		m.Feed(coloured(2, 1<<21, 48000, 5, 24000, test.dbPerOctave))
		r := read(m)
		// Effective bandwidths differ by less than the ±0.4 dB of class 1; 44 s of
		// a band at 100 Hz scatter by 0.14 dB.
		for k := 9; k < len(r.BandLeqDB); k++ {
			if d := r.BandLeqDB[k] - r.BandLeqDB[20] - test.slope*float64(k-20); math.Abs(d) > 0.5 {
				t.Errorf("slope %g: band %d is %.2f dB off", test.slope, k, d)
			}
		}
	}
}

// What was not heard is in no sliding level, and pushes out what is older: the
// mean of a minute with 40 s of silence unheard in it is that of the 20 s heard.
func TestSkippedTimeIsNotMeasured(t *testing.T) {
	m := newMeter(t, Config{SampleRateHz: 48000})
	tone := func(seconds, a float64) {
		x := make([]float64, int(seconds*48000))
		for i := range x {
			x[i] = a * math.Sin(2*math.Pi*1000*float64(i)/48000)
		}
		m.Feed(x)
	}
	sliding := func(minutes int, wantDB, wantS float64) {
		t.Helper()
		if db, s := m.Sliding(minutes); math.Abs(db-wantDB) > 0.05 || s != wantS {
			t.Errorf("%d min: %.2f dB of %g s, want %g of %g", minutes, db, s, wantDB, wantS)
		}
	}
	tone(30, 1)
	sliding(1, 0, 30)
	m.Skip(40 * 48000)
	sliding(1, 0, 20)
	sliding(5, 0, 30)
	tone(10.4, 0.1) // the last second is not over
	sliding(1, 10*math.Log10((10*1+10*0.01)/20), 20)
	m.Skip(48000 / 2) // 0.9 s of which nothing is known as a whole
	sliding(1, 10*math.Log10((9*1+10*0.01)/19), 19)
	m.Skip(math.MaxInt64)
	if db, s := m.Sliding(60); !math.IsNaN(db) || s != 0 {
		t.Errorf("%g dB of %g s behind an endless gap", db, s)
	}
	if r := read(m); math.Abs(r.DurationS-40.4) > 1e-9 {
		t.Errorf("%g s were measured, want 40.4", r.DurationS)
	}
}

// The same samples in any portions, read and taken at any time, give the same levels.
func TestPortionsAndTakes(t *testing.T) {
	x := coloured(3, 1<<17, 48000, 20, 20000, 3)
	for i := range x {
		x[i] *= 0.05 + 0.1*math.Sin(float64(i)/9000)
	}
	cfg := Config{SampleRateHz: 48000, Bands: 1, OffsetDB: 120}
	whole := newMeter(t, cfg)
	whole.Feed(x)
	want := read(whole)
	parts := newMeter(t, cfg)
	rng := rand.New(rand.NewPCG(1, 1))
	var took Reading
	energy, seconds, highest := 0.0, 0.0, math.Inf(-1)
	for rest := x; len(rest) > 0; {
		n := min(len(rest), 1+rng.IntN(7000))
		parts.Feed(rest[:n])
		rest = rest[n:]
		if rng.IntN(3) == 0 || len(rest) == 0 {
			read(parts)
			parts.Take(&took)
			energy += took.DurationS * math.Pow(10, took.LAeqDB/10)
			seconds += took.DurationS
			highest = max(highest, took.LCPeakDB)
		}
	}
	got := read(parts)
	for name, pair := range map[string][2]float64{
		"LAeq": {got.LAeqDB, want.LAeqDB}, "LCeq": {got.LCeqDB, want.LCeqDB}, "LZeq": {got.LZeqDB, want.LZeqDB},
		"LAFmax": {got.LAFMaxDB, want.LAFMaxDB}, "LCSmax": {got.LCSMaxDB, want.LCSMaxDB}, "LAE": {got.LAEDB, want.LAEDB},
		"LCpeak": {got.LCPeakDB, want.LCPeakDB}, "LZpeak": {got.LZPeakDB, want.LZPeakDB}, "L50": {got.L50DB, want.L50DB},
		"band": {got.BandLeqDB[5], want.BandLeqDB[5]}, "duration": {got.DurationS, want.DurationS},
		"taken LAeq":   {10 * math.Log10(energy/seconds), want.LAeqDB},
		"taken LCpeak": {highest, want.LCPeakDB},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-9 {
			t.Errorf("%s is %.12f in portions, %.12f as a whole", name, pair[0], pair[1])
		}
	}
	parts.Reset()
	parts.Feed(x)
	if again := read(parts); again.LAeqDB != want.LAeqDB || again.L90DB != want.L90DB || again.LCPeakDB != want.LCPeakDB {
		t.Error("after Reset the same samples read differently")
	}
}

// Half the time at −20 dB, 35 % at −40, 15 % at −60 dB: L10 and L50 lie at the
// upper step, L90 at the lowest (ISO 1996-1: L_N is exceeded N % of the time).
func TestStatisticalLevels(t *testing.T) {
	const rate = 48000
	m := newMeter(t, Config{SampleRateHz: rate})
	for _, step := range []struct{ db, seconds float64 }{{-20, 102}, {-40, 68}, {-60, 30}} {
		m.Feed(sine(rate, 1000, math.Pow(10, step.db/20), step.seconds))
	}
	r := read(m)
	if math.Abs(r.L10DB+20) > 0.051 || math.Abs(r.L50DB+20) > 0.051 || math.Abs(r.L90DB+60) > 0.051 {
		t.Errorf("L10 %.2f, L50 %.2f, L90 %.2f dB, want −20, −20, −60", r.L10DB, r.L50DB, r.L90DB)
	}
}

// The sliding level forgets what is older than its minutes.
func TestSliding(t *testing.T) {
	const rate = 44100
	m := newMeter(t, Config{SampleRateHz: rate})
	if db, s := m.Sliding(1); !math.IsNaN(db) || s != 0 {
		t.Errorf("nothing fed: %g dB over %g s", db, s)
	}
	m.Feed(sine(rate, 1000, 1, 30))
	if db, s := m.Sliding(1); s != 30 || math.Abs(db) > 0.02 {
		t.Errorf("30 s: %.3f dB over %g s", db, s)
	}
	quiet := sine(rate, 1000, 0.1, 1)
	for range 45 {
		m.Feed(quiet)
	}
	// 15 s at 0 dB and 45 s at −20 dB in the last minute.
	if db, s := m.Sliding(1); s != 60 || math.Abs(db-10*math.Log10(0.25+0.75*0.01)) > 0.02 {
		t.Errorf("last minute: %.3f dB over %g s", db, s)
	}
	if db, s := m.Sliding(5); s != 75 || math.Abs(db-10*math.Log10((30+0.45)/75)) > 0.02 {
		t.Errorf("so far: %.3f dB over %g s", db, s)
	}
	for range 60 {
		m.Feed(quiet)
	}
	if db, _ := m.Sliding(1); math.Abs(db+20) > 0.02 {
		t.Errorf("a minute later: %.3f dB, want −20", db)
	}
}

func TestSilenceAndNothing(t *testing.T) {
	m := newMeter(t, Config{SampleRateHz: 48000, Bands: 3})
	r := read(m)
	for _, v := range []float64{r.LAeqDB, r.LAFMaxDB, r.LAEDB, r.LCPeakDB, r.L10DB, r.BandLeqDB[0]} {
		if !math.IsNaN(v) {
			t.Errorf("nothing fed reads %g", v)
		}
	}
	m.Feed(make([]float64, 96000))
	r = read(m)
	for _, v := range []float64{r.LAeqDB, r.LZeqDB, r.LAFMaxDB, r.LCPeakDB, r.L50DB, r.BandLeqDB[3]} {
		if !math.IsInf(v, -1) {
			t.Errorf("silence reads %g dB", v)
		}
	}
}

func TestClipping(t *testing.T) {
	m := newMeter(t, Config{SampleRateHz: 48000})
	x := sine(48000, 997, 1.2, 1)
	want := uint64(0)
	for i := range x {
		x[i] = min(max(x[i], -1), 1)
		if math.Abs(x[i]) >= 32767./32768 {
			want++
		}
	}
	m.Feed(x)
	if got := read(m).Clipped; got != want || want < 1000 {
		t.Errorf("%d clipped samples, want %d", got, want)
	}
}

func TestFeedDoesNotAllocate(t *testing.T) {
	m := newMeter(t, Config{SampleRateHz: 48000, Bands: 3})
	x := coloured(4, 1<<13, 48000, 20, 20000, 3)
	r := read(m)
	if n := testing.AllocsPerRun(50, func() { m.Feed(x); m.Read(&r); m.Take(&r); m.Sliding(15) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func TestBadConfig(t *testing.T) {
	for _, cfg := range []Config{{}, {SampleRateHz: 8000}, {SampleRateHz: 48000, Bands: 2}, {SampleRateHz: 48000, OffsetDB: math.NaN()}} {
		if _, err := NewMeter(cfg); err == nil {
			t.Errorf("%+v passed", cfg)
		}
	}
}

func TestCalibrate(t *testing.T) {
	hiss := func(x []float64, rms float64) []float64 {
		rng := rand.New(rand.NewPCG(5, 5))
		for i := range x {
			x[i] += rms * rng.NormFloat64()
		}
		return x
	}
	for _, rate := range []float64{44100, 48000, 96000} {
		for _, frequency := range []float64{1000, 250, 1003} {
			x := hiss(sine(rate, frequency, 0.1, 6), 1e-4)
			copy(x, coloured(6, 1<<16, rate, 20, 2000, 3)[:int(0.5*rate)]) // seating the microphone
			c, err := Calibrate(x, rate, 94)
			if err != nil || math.Abs(c.OffsetDB-114) > 0.01 || math.Abs(c.FrequencyHz-frequency) > 0.5 || c.SteadyS < 4 || c.ScatterDB > 0.05 {
				t.Errorf("%g Hz tone at %g Hz: %+v, %v, want 114 dB", frequency, rate, c, err)
			}
		}
	}
	tone := func() []float64 { return sine(48000, 1000, 0.1, 6) }
	wandering := tone()
	for i := range wandering {
		wandering[i] *= math.Pow(10, 3*math.Sin(float64(i)/20000)/20)
	}
	clipped := sine(48000, 1000, 2, 6)
	for i := range clipped {
		clipped[i] = min(max(clipped[i], -1), 1)
	}
	for name, test := range map[string]struct {
		x       []float64
		levelDB float64
		want    string
	}{
		"silence":      {make([]float64, 300000), 94, "silent"},
		"noise":        {hiss(make([]float64, 300000), 0.1), 94, "no calibrator tone"},
		"hum":          {hiss(sine(48000, 440, 0.1, 6), 1e-4), 94, "no calibrator's"},
		"too noisy":    {hiss(tone(), 0.02), 94, "no calibrator tone"},
		"clipped":      {clipped, 94, "clips"},
		"unsteady":     {wandering, 94, "hold still"},
		"short":        {tone()[:48000], 94, "too short"},
		"wrong level":  {tone(), 60, "printed on it"},
		"level of Pa":  {tone(), 1, "printed on it"},
		"no level":     {tone(), math.NaN(), "printed on it"},
		"no rate":      {tone(), 94, ""},
		"good one too": {tone(), 114, ""},
	} {
		rate := 48000.0
		if name == "no rate" {
			rate, test.want = 0, "sample rate"
		}
		_, err := Calibrate(test.x, rate, test.levelDB)
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: %v, want %q", name, err, test.want)
		}
	}
}

// A calibrated meter reads the calibrator's level.
// A calibrator that was not seated for part of the time gives two levels, and nobody
// knows which is right; a tone that wanders is no calibrator's.
func TestCalibratorThatWasNotSeated(t *testing.T) {
	const rate = 48000
	// level is the tone with these decibels for so many seconds each.
	level := func(parts ...[2]float64) []float64 {
		var x []float64
		for _, p := range parts {
			part := sine(rate, 1000, 0.1*math.Pow(10, p[0]/20), p[1])
			x = append(x, part...)
		}
		return x
	}
	slow := sine(rate, 1000, 0.1, 8)
	for i := range slow { // the battery ends
		slow[i] *= math.Pow(10, -0.2*float64(i)/rate/20)
	}
	chirp := make([]float64, 8*rate)
	for i := range chirp {
		chirp[i] = 0.1 * math.Sin(2*math.Pi*(1000*float64(i)+float64(i)*float64(i)/rate/2)/rate)
	}
	for name, c := range map[string]struct {
		x    []float64
		want string
	}{
		"seated after 3 of 8 s":      {level([2]float64{-6, 3}, [2]float64{0, 5}), "another level"},
		"slipped after 3 of 8 s":     {level([2]float64{0, 3}, [2]float64{-6, 5}), "another level"},
		"half a decibel for 2 s":     {level([2]float64{0, 5}, [2]float64{-0.5, 2}), "another level"},
		"twice, not seated at first": {level([2]float64{-6, 2}, [2]float64{0, 2}, [2]float64{-6, 2}), "another level"},
		"the level falls":            {slow, "another level"},
		"the frequency rises":        {chirp, "wanders"},
		"handled for half a second":  {level([2]float64{-6, 0.5}, [2]float64{0, 5}), ""},
		"lifted for a moment":        {level([2]float64{0, 3}, [2]float64{-90, 0.5}, [2]float64{0, 3}), ""},
	} {
		got, err := Calibrate(c.x, rate, 94)
		switch {
		case c.want == "":
			if err != nil || math.Abs(got.OffsetDB-114) > 0.05 {
				t.Errorf("%s: %+v, %v", name, got, err)
			}
		case err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n"):
			t.Errorf("%s: %+v, %v; want %q", name, got, err, c.want)
		}
	}
}

// A converter's direct component is no sound (IEC 61672-1:2013: Z begins at 10 Hz):
// neither the equivalent level nor the peak knows of it.
func TestDirectComponentDoesNotCount(t *testing.T) {
	const rate = 48000
	x := coloured(3, 1<<18, rate, 20, 20000, 3)
	offset := make([]float64, len(x))
	for i, v := range x {
		x[i] = 0.01 * v
		offset[i] = x[i] + 0.3
	}
	a, b := newMeter(t, Config{SampleRateHz: rate}), newMeter(t, Config{SampleRateHz: rate})
	var without, with Reading
	for from := 0; from < len(x); from += rate { // of peaks, those once filters have settled
		to := min(len(x), from+rate)
		a.Feed(x[from:to])
		b.Feed(offset[from:to])
		a.Take(&without)
		b.Take(&with)
	}
	peak := with.LZPeakDB - without.LZPeakDB
	without, with = read(a), read(b)
	for name, d := range map[string]float64{
		"LZeq": with.LZeqDB - without.LZeqDB, "LCeq": with.LCeqDB - without.LCeqDB, "LAeq": with.LAeqDB - without.LAeqDB,
		"LZpeak": peak, "LCpeak": with.LCPeakDB - without.LCPeakDB, "LAFmax": with.LAFMaxDB - without.LAFMaxDB,
	} {
		if math.Abs(d) > 0.1 {
			t.Errorf("%s differs by %+.3f dB", name, d)
		}
	}
}

func TestCalibratedMeter(t *testing.T) {
	x := sine(48000, 1000, 0.25, 5)
	c, err := Calibrate(x, 48000, 94)
	if err != nil {
		t.Fatal(err)
	}
	m := newMeter(t, Config{SampleRateHz: 48000, OffsetDB: c.OffsetDB})
	var r Reading
	m.Feed(x[:48000]) // the filters' start
	m.Take(&r)
	m.Feed(x[48000:])
	m.Take(&r)
	for name, got := range map[string]float64{"LAeq": r.LAeqDB, "LCeq": r.LCeqDB, "LZeq": r.LZeqDB, "LAFmax": r.LAFMaxDB, "LASmax": r.LASMaxDB, "LCpeak − 3.01": r.LCPeakDB - 3.0103} {
		if math.Abs(got-94) > 0.05 {
			t.Errorf("%s reads %.3f dB, want 94", name, got)
		}
	}
}

func BenchmarkMeter(b *testing.B) {
	x := coloured(7, 1<<16, 48000, 20, 20000, 3)
	for name, cfg := range map[string]Config{
		"48kHz":                {SampleRateHz: 48000},
		"48kHz third octaves":  {SampleRateHz: 48000, Bands: 3},
		"192kHz third octaves": {SampleRateHz: 192000, Bands: 3},
	} {
		b.Run(name, func(b *testing.B) {
			m := newMeter(b, cfg)
			for b.Loop() {
				m.Feed(x)
			}
			seconds := float64(len(x)) / cfg.SampleRateHz * float64(b.N)
			b.ReportMetric(seconds/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

func FuzzMeter(f *testing.F) {
	f.Add([]byte{1, 2, 3, 200, 255, 0, 128})
	f.Fuzz(func(t *testing.T, raw []byte) {
		m := newMeter(t, Config{SampleRateHz: 44100, Bands: 1})
		x := make([]float64, 0, 64*len(raw))
		for _, b := range raw {
			for range 64 {
				x = append(x, (float64(b)-128)/128*math.Pow(10, float64(b%7)-3))
			}
		}
		m.Feed(x)
		r := read(m)
		if len(x) == 0 {
			return
		}
		all := append([]float64{r.LAeqDB, r.LCeqDB, r.LZeqDB, r.LAFMaxDB, r.LAEDB, r.LCPeakDB, r.LZPeakDB}, r.BandLeqDB...)
		if i := slices.IndexFunc(all, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 1) }); i >= 0 {
			t.Errorf("reading %d is %g", i, all[i])
		}
	})
}
