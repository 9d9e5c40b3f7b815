package signal

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/mjibson/go-dsp/fft"
)

var rates = []int{44100, 48000, 88200, 96000, 176400, 192000}

func db(ratio float64) float64 { return 20 * math.Log10(ratio) }

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

func samples(t testing.TB, cfg Config, count int) []float64 {
	t.Helper()
	g, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, count)
	g.Fill(x)
	return x
}

// Pink noise falls by 10 lg 2 = 3.0103 dB an octave: the filter's response
// itself, no statistics.
func TestPinkFilterSlope(t *testing.T) {
	for _, rate := range rates {
		p := newPink(float64(rate), 1)
		low, high := math.Inf(1), math.Inf(-1)
		for f := 20.0; f <= 20000; f *= 1.01 {
			d := db(cmplx.Abs(p.response(f, float64(rate)))) + 10*math.Log10(f)
			low, high = min(low, d), max(high, d)
		}
		t.Logf("%d Hz: ±%.3f dB", rate, (high-low)/2)
		if limit := map[int]float64{44100: 0.19, 48000: 0.13}[rate]; (high-low)/2 > max(limit, 0.11) {
			t.Errorf("%d Hz: ±%.3f dB from −3.01 dB an octave", rate, (high-low)/2)
		}
	}
}

// The noise itself: power of each octave band, by averaged periodograms.
func TestNoiseBands(t *testing.T) {
	const n, blocks = 8192, 100
	for _, kind := range []Kind{Pink, White} {
		x := samples(t, Config{Kind: kind, Seed: 3}, n*blocks)
		power := make([]float64, n/2)
		work := make([]complex128, n)
		for b := range blocks {
			for i := range work {
				w := (1 - math.Cos(2*math.Pi*float64(i)/n)) / 2 // Hann, so that the steep low end does not leak
				work[i] = complex(w*x[b*n+i], 0)
			}
			spectrum := fft.FFT(work)
			for k := range power {
				power[k] += real(spectrum[k])*real(spectrum[k]) + imag(spectrum[k])*imag(spectrum[k])
			}
		}
		var levels []float64
		for mid := 125.0; mid <= 8000; mid *= 2 {
			sum, bins := 0.0, 0.0
			for k := range power {
				if f := float64(k) * 48000 / n; f >= mid/math.Sqrt2 && f < mid*math.Sqrt2 {
					sum += power[k]
					bins++
				}
			}
			levels = append(levels, 10*math.Log10(sum/bins)) // density
		}
		slope := (levels[len(levels)-1] - levels[0]) / float64(len(levels)-1)
		want := map[Kind]float64{Pink: -10 * math.Log10(2), White: 0}[kind]
		// the lowest band averages 100 × 10 nearly independent bins: 0.14 dB, over 6 octaves 0.023
		if math.Abs(slope-want) > 0.07 {
			t.Errorf("%s: %.3f dB an octave, want %.3f", kind, slope, want)
		}
	}
}

// AES17: a sine wave whose peak is full scale is 0 dBFS RMS.
func TestLevels(t *testing.T) {
	for _, rate := range []int{44100, 96000} {
		// 10 s of pink noise scatter by 0.3 dB: half of it is below 220 Hz
		for kind, within := range map[Kind]float64{Pink: 0.9, White: 0.05, Sine: 1e-4} {
			x := samples(t, Config{Kind: kind, SampleRateHz: rate, LevelDBFS: -12, Seed: 1}, 11*rate)[rate:]
			if got := db(rms(x) * math.Sqrt2); math.Abs(got+12) > within {
				t.Errorf("%s at %d Hz: %.3f dBFS, want −12", kind, rate, got)
			}
		}
		// The same without scatter: the power of the impulse response (Parseval).
		p := newPink(float64(rate), 1)
		sum, x := 0.0, 1.0
		state := make([]float64, len(p.poles))
		for i := range 3 * rate {
			y := x
			if i == 1 {
				y = pinkTopZero
			}
			x = 0
			for k, z := range p.zeros {
				v := y + state[k]
				state[k] = p.poles[k]*v - z*y
				y = v
			}
			sum += y * y * p.gain * p.gain
		}
		if math.Abs(10*math.Log10(sum)) > 0.005 {
			t.Errorf("pink noise at %d Hz has %.4f dB of unit power", rate, 10*math.Log10(sum))
		}
	}
	peak := 0.0
	for _, v := range samples(t, Config{Kind: Sine, LevelDBFS: -1e-9}, 48000*2) {
		peak = max(peak, math.Abs(v))
	}
	if math.Abs(peak-1) > 1e-5 {
		t.Errorf("a 997 Hz sine at 0 dBFS peaks at %.6f", peak)
	}
}

func TestSeedDecidesAndBlocksDoNot(t *testing.T) {
	for _, kind := range Kinds {
		cfg := Config{Kind: kind, Seed: 5, DurationS: 0.1, PeriodS: 0.15}
		want := samples(t, cfg, 20000)
		g, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		got := make([]float64, len(want))
		for at, n := 0, 1; at < len(got); n = n%701 + 13 {
			end := min(at+n, len(got))
			g.Fill(got[at:end])
			at = end
		}
		cfg.Seed = 6
		other, same := samples(t, cfg, 20000), 0
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("%s: sample %d depends on the blocks", kind, i)
			}
			if other[i] == want[i] {
				same++
			}
		}
		if random := kind != Sine && kind != Sweep && kind != Pulse; random && same > 10 || !random && same != len(want) {
			t.Errorf("%s: another seed leaves %d of %d samples", kind, same, len(want))
		}
	}
}

func TestStartsSilentAndRamps(t *testing.T) {
	x := samples(t, Config{Kind: Sine, FrequencyHz: 1000, LevelDBFS: -6.0206, RampS: 0.5}, 48000)
	for i := range 24000 {
		envelope := (1 - math.Cos(math.Pi*float64(i)/24000)) / 2
		if want := 0.5 * envelope * math.Sin(2*math.Pi*float64(i)/48); math.Abs(x[i]-want) > 1e-6 {
			t.Fatalf("sample %d is %g, want %g", i, x[i], want)
		}
	}
	for _, kind := range Kinds {
		if x := samples(t, Config{Kind: kind}, 1); x[0] != 0 {
			t.Errorf("%s starts with %g", kind, x[0])
		}
	}
	// a sweep ends as quietly as it begins
	x = samples(t, Config{Kind: Sweep, DurationS: 1}, 48100)
	for i := 48000 - 10; i < len(x); i++ {
		edge := max(float64(48000-i), 0) // samples to the end, of 480 of the fade
		if math.Abs(x[i]) > 0.1*(1-math.Cos(math.Pi*edge/480))/2+1e-12 {
			t.Fatalf("the sweep's end clicks: %g at %d", x[i], i)
		}
	}
}

func TestPulseTrain(t *testing.T) {
	x := samples(t, Config{Kind: Pulse, LevelDBFS: -6.0206, FrequencyHz: 100, PeriodS: 0.1}, 48000)
	for i, v := range x {
		want := 0.0
		if at := i % 4800; at < 480 { // one cycle, the positive half first
			want = 0.5 * math.Sin(2*math.Pi*float64(at)/480)
		}
		if math.Abs(v-want) > 1e-6 {
			t.Fatalf("sample %d is %g, want %g", i, v, want)
		}
	}
	low, high := Config{Kind: Pulse, FrequencyHz: 100}.Band()
	most := 0.0
	spectrum := func(f float64) float64 { return cmplx.Abs(lineOf(x[:480], f)) }
	for f := 1.0; f < 1000; f++ {
		most = max(most, spectrum(f))
	}
	for _, f := range []float64{low, high} {
		if got := db(spectrum(f) / most); math.Abs(got+10) > 0.1 {
			t.Errorf("at %.1f Hz the pulse is %.2f dB below its highest, want 10", f, -got)
		}
	}
}

// lineOf is the transform of x at one frequency.
func lineOf(x []float64, f float64) (sum complex128) {
	for i, v := range x {
		sum += complex(v, 0) * cmplx.Exp(complex(0, -2*math.Pi*f*float64(i)/48000))
	}
	return sum
}

// Noise of a period: a window of one period has the exact power on every line of the
// band, none between, and the next period is the same.
func TestPeriodicNoiseHasExactLines(t *testing.T) {
	for _, kind := range []Kind{Pink, White, Octave, ThirdOctave} {
		cfg := Config{Kind: kind, PeriodS: 0.25, RampS: 1e-9, Seed: 4}
		x := samples(t, cfg, 3*12000)[12000:]
		for i := range 12000 {
			if x[i] != x[i+12000] {
				t.Fatalf("%s: sample %d is not that of a period later", kind, i)
			}
		}
		if got := db(rms(x[:12000]) * math.Sqrt2); math.Abs(got+20) > 1e-6 {
			t.Errorf("%s: %.6f dBFS, want −20", kind, got)
		}
		low, high := cfg.Band()
		work := make([]complex128, 12000)
		for i := range work {
			work[i] = complex(x[i], 0)
		}
		first, firstHz := 0.0, 0.0
		for k, v := range fft.FFT(work)[:6000] {
			f, level := 4*float64(k), db(cmplx.Abs(v))
			switch {
			case k == 0 || f < low || f > high:
				if level > -190 {
					t.Errorf("%s: %.1f dB at %g Hz, outside of %.1f…%.1f Hz", kind, level, f, low, high)
				}
			case first == 0:
				first, firstHz = level, f
			default:
				want := first
				if kind == Pink {
					want -= 10 * math.Log10(f/firstHz)
				}
				if math.Abs(level-want) > 1e-6 {
					t.Fatalf("%s: %.6f dB at %g Hz, want %.6f", kind, level, f, want)
				}
			}
		}
	}
}

// Noise of one band keeps to it: the low-pass behind it, on both sides of the middle,
// and the power of the band itself by averaged periodograms.
func TestBandNoise(t *testing.T) {
	l := newLowPass(100, 48000)
	x := make([]float64, 48000)
	x[0] = 1
	for i := range x {
		x[i] = l.next(x[i])
	}
	for f, want := range map[float64]float64{10: 0, 86: -0.37, 100: -3.01, 200: -48.17} { // −10 lg(1 + (f/100)^16)
		if got := db(cmplx.Abs(lineOf(x[:4800], f))); math.Abs(got-want) > 0.02 {
			t.Errorf("%.3f dB at %g Hz, want %.2f", got, f, want)
		}
	}
	for _, kind := range []Kind{Octave, ThirdOctave} {
		cfg := Config{Kind: kind, FrequencyHz: 1100, Seed: 2, RampS: 1e-9}
		low, high := cfg.Band()
		ratio := map[Kind]float64{Octave: math.Pow(10, 0.3), ThirdOctave: math.Pow(10, 0.1)}[kind]
		if mid := math.Sqrt(low * high); math.Abs(mid-1000) > 1e-6 || math.Abs(high/low-ratio) > 1e-9 {
			t.Errorf("%s: %.3f…%.3f Hz", kind, low, high)
		}
		x := samples(t, cfg, 40*8192)
		if got := db(rms(x) * math.Sqrt2); math.Abs(got+20) > 0.1 { // 1/√(2BT): 0.06 dB for the third octave
			t.Errorf("%s: %.3f dBFS, want −20", kind, got)
		}
		in, all := 0.0, 0.0
		work := make([]complex128, 8192)
		for b := range 40 {
			for i := range work {
				w := (1 - math.Cos(2*math.Pi*float64(i)/8192)) / 2
				work[i] = complex(w*x[b*8192+i], 0)
			}
			for k, v := range fft.FFT(work)[:4096] {
				p := real(v)*real(v) + imag(v)*imag(v)
				all += p
				if f := float64(k) * 48000 / 8192; f > low && f < high {
					in += p
				}
			}
		}
		if in/all < 0.945 { // ∫₀¹ 1/(1+x¹⁶) of ∫₀^∞ is 0.955, and the window moves some
			t.Errorf("%s: %.3f of the power is in the band", kind, in/all)
		}
	}
}

// A length ends as quietly as it began.
func TestFadesBeforeItsEnd(t *testing.T) {
	x := samples(t, Config{Kind: Sine, FrequencyHz: 1000, LevelDBFS: -6.0206, RampS: 0.25, LengthS: 1}, 50000)
	for i := range x {
		envelope := 1.0
		if edge := min(i, 48000-i); edge < 0 {
			envelope = 0
		} else if edge < 12000 {
			envelope = (1 - math.Cos(math.Pi*float64(edge)/12000)) / 2
		}
		if want := 0.5 * envelope * math.Sin(2*math.Pi*float64(i)/48); math.Abs(x[i]-want) > 1e-6 {
			t.Fatalf("sample %d is %g, want %g", i, x[i], want)
		}
	}
}

// The published table: L and the advance of each order.
func TestChirpAgainstTheTable(t *testing.T) {
	f, err := os.Open("../../testdata/reference/farina_offsets.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 15 {
		t.Fatal(len(rows), err)
	}
	for _, row := range rows[1:] {
		var v [7]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		c := Chirp{v[0], v[1], v[2]}
		if l, a := c.TimeConstantS(), advanceS(c, int(v[4])); math.Abs(l-v[3]) > 5.1e-7 ||
			math.Abs(a-v[5]) > 5.1e-7 || math.Abs(a*48000-v[6]) > 0.0051 {
			t.Errorf("%v: L %.6f s, advance %.6f s = %.2f samples", row, l, a, a*48000)
		}
	}
}

// convolve is x*y by one transform.
func convolve(x, y []float64) []float64 {
	n := 1
	for n < len(x)+len(y) {
		n *= 2
	}
	a, b := make([]complex128, n), make([]complex128, n)
	for i, v := range x {
		a[i] = complex(v, 0)
	}
	for i, v := range y {
		b[i] = complex(v, 0)
	}
	a = fft.Convolve(a, b)
	z := make([]float64, len(x)+len(y)-1)
	for i := range z {
		z[i] = real(a[i])
	}
	return z
}

// Deconvolution: a unit pulse at sample N−1, flat in the band; the products of
// a cubic distortion L ln 3 and of a square one L ln 2 in front of it.
func TestInverseMakesAPulse(t *testing.T) {
	c := Chirp{20, 20000, 5}
	x, inv := chirpSamples(c, 48000), inverse(c, 48000)
	n := len(x)
	h := convolve(x, inv)
	peak := 0
	for i, v := range h {
		if math.Abs(v) > math.Abs(h[peak]) {
			peak = i
		}
	}
	if peak != n-1 || math.Abs(h[peak]-1) > 1e-9 {
		t.Fatalf("the pulse is %g high at %d, want 1 at %d", h[peak], peak, n-1)
	}
	response := func(f float64) float64 {
		var sum complex128
		for i := peak - 24000; i < peak+24000; i++ {
			sum += complex(h[i], 0) * cmplx.Exp(complex(0, -2*math.Pi*f*float64(i)/48000))
		}
		return db(cmplx.Abs(sum))
	}
	low, high := math.Inf(1), math.Inf(-1)
	for f := 200.0; f <= 2000; f *= 1.2 {
		low, high = min(low, response(f)), max(high, response(f))
	}
	if high-low > 0.005 {
		t.Errorf("flat within %.4f dB from 200 Hz to 2 kHz", high-low)
	}

	for order, advance := range map[int]float64{2: 24082.40, 3: 38169.70} { // farina_offsets.csv
		y := make([]float64, n)
		for i, v := range x {
			y[i] = math.Pow(v, float64(order))
		}
		h := convolve(y, inv)
		at := int(math.Round(float64(n-1) - advance))
		best := at
		for i := at - 500; i < at+500; i++ {
			if math.Abs(h[i]) > math.Abs(h[best]) {
				best = i
			}
		}
		// a pulse is a few samples wide and the square's phase is turned by 90°
		if math.Abs(float64(n-1-best)-advance) > 2 {
			t.Errorf("order %d: %d samples in front of the response, want %.1f", order, n-1-best, advance)
		}
	}
}

func TestRefusals(t *testing.T) {
	for want, cfg := range map[string]Config{
		`kind is "brown"`:         {Kind: "brown"},
		"sample rate is 10 Hz":    {SampleRateHz: 10},
		"level is 3 dBFS":         {LevelDBFS: 3},
		"level is NaN":            {LevelDBFS: math.NaN()},
		"ramp is -1 s":            {RampS: -1},
		"frequency is 30000 Hz":   {Kind: Sine, FrequencyHz: 30000},
		"sweep is from 200 to 20": {Kind: Sweep, LowHz: 200, HighHz: 20},
		"to 20000 Hz: choose":     {Kind: Sweep, SampleRateHz: 32000},
		"sweep lasts 1000 s":      {Kind: Sweep, DurationS: 1000},
		"period is 1 s: choose 5": {Kind: Sweep, PeriodS: 1},
		"period is 0.001 s":       {Kind: Pulse, PeriodS: 0.001},
		"choose 0.02…600":         {Kind: Pulse, PeriodS: 0.015, FrequencyHz: 50},
		"period is 0.01 s":        {PeriodS: 0.01},
		"length is -1 s":          {LengthS: -1},
		"frequency is 5 Hz":       {Kind: Octave, FrequencyHz: 5},
		"ends at 22387 Hz":        {Kind: Octave, FrequencyHz: 16000, SampleRateHz: 44100},
	} {
		_, err := New(cfg)
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

func BenchmarkFill(b *testing.B) {
	for _, kind := range Kinds {
		b.Run(string(kind), func(b *testing.B) {
			g, err := New(Config{Kind: kind, PeriodS: 5})
			if err != nil {
				b.Fatal(err)
			}
			x := make([]float64, 4800)
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				g.Fill(x)
				n++
			}
			b.ReportMetric(float64(n)/10/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

// advanceS is how long before the linear response the distortion product of an
// order appears after deconvolution: L ln(order).
func advanceS(c Chirp, order int) float64 { return c.TimeConstantS() * math.Log(float64(order)) }

// chirpSamples is the sweep at a sample rate, peak 1.
func chirpSamples(c Chirp, rateHz int) []float64 {
	x := make([]float64, int(math.Round(c.DurationS*float64(rateHz))))
	for i := range x {
		x[i] = c.At(float64(i) / float64(rateHz))
	}
	return x
}

// inverse is the filter that turns the sweep into a pulse: the sweep backwards,
// 6.02 dB down for each octave towards the low end, scaled so that the pulse
// has unit height. Of the full convolution of N with N samples the linear
// response begins at sample N−1.
func inverse(c Chirp, rateHz int) []float64 {
	x := chirpSamples(c, rateHz)
	n := len(x)
	l := c.TimeConstantS() * float64(rateHz)
	inv := make([]float64, n)
	sum := 0.0
	for i := range inv {
		inv[i] = x[n-1-i] * math.Exp(-float64(i)/l)
		sum += inv[i] * x[n-1-i]
	}
	for i := range inv {
		inv[i] /= sum
	}
	return inv
}
