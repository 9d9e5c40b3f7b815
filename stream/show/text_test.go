package show

import (
	"bytes"
	"math"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/response"
)

func TestReadText(t *testing.T) {
	plain := &Text{FrequencyHz: []float64{20.5, 1000, 20000}, MagnitudeDB: []float64{-3.25, 0, 1.5}}
	phase := &Text{FrequencyHz: []float64{20.5, 1000}, MagnitudeDB: []float64{-3.25, 0}, PhaseDeg: []float64{45, -90.5}}
	for name, c := range map[string]struct {
		text string
		want *Text
	}{
		"tabs":                 {"20.5\t-3.25\n1000\t0\n20000\t1.5\n", plain},
		"spaces":               {"  20.5   -3.25\n1000 0\n20000 1.5", plain},
		"commas":               {"20.5,-3.25\n1000,0\n20000,1.5\n", plain},
		"commas and spaces":    {"20.5, -3.25\r\n1000, 0\r\n20000, 1.5\r\n", plain},
		"semicolons":           {"20.5;-3.25\n1000;0\n20000;1.5\n", plain},
		"decimal comma, tab":   {"20,5\t-3,25\n1000\t0\n20000\t1,5\n", plain},
		"decimal comma, ;":     {"20,5;-3,25\n1000,0;0,0\n20000;1,5\n", plain},
		"decimal comma, space": {"20,5 -3,25\n1000 0\n20000 1,5\n", plain},
		"exponents":            {"2.05e1 -3.25\n1e3 0\n2E4 1.5\n", plain},
		"quoted":               {`"20.5","-3.25"` + "\n" + `"1000","0"` + "\n" + `"20000","1.5"`, plain},
		"comments and words":   {"\ufeffa microphone\n# made: today\n; x\n\nFrequency (Hz)\tdeviation (dB)\n20.5\t-3.25\n1000\t0\nbetween\n20000\t1.5\n", plain},
		"three columns":        {"20.5 -3.25 45\n1000 0 -90.5", phase},
		"columns by name":      {"frequency_hz, phase_deg, magnitude_db\n20.5, 45, -3.25\n1000, -90.5, 0\n", phase},
		"columns left out":     {"frequency_hz;magnitude_db;magnitude_low_db;phase_deg\n20.5;-3.25;-4;45\n1000;0;-1;-90.5\n", phase},
		"ours": {"# take\n# sample_rate_hz: 48000\n# delay_ms: 12.5\nfrequency_hz,magnitude_db,phase_deg,coherence,effective_averages\n20.5,-3.25,45,0.5,30\n",
			&Text{FrequencyHz: []float64{20.5}, MagnitudeDB: []float64{-3.25}, PhaseDeg: []float64{45}, Coherence: []float64{0.5}, EffectiveAverages: []float64{30}, SampleRateHz: 48000, DelayMs: 12.5}},
		"coherence in percent": {"100 0 0 99\n200 0 0 50\n",
			&Text{FrequencyHz: []float64{100, 200}, MagnitudeDB: []float64{0, 0}, PhaseDeg: []float64{0, 0}, Coherence: []float64{0.99, 0.5}}},
	} {
		got, err := ReadText(strings.NewReader(c.text))
		if err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, %v, want %+v", name, got, err, c.want)
		}
	}
	for text, say := range map[string]string{
		"":                         "two columns at least",
		"only words\nand more\n":   "two columns at least",
		"1000\n2000\n":             "line 1 has one number",
		"100 0\n200 0 5\n":         "line 2 has 3 numbers, those before have 2",
		"100 0\n200 music\n":       "line 2 is no row of numbers",
		"100 0\n200 NaN\n":         "line 2 is no row of numbers",
		"100 0\n100 0\n":           "must ascend, 100 Hz follows 100 Hz",
		"200 0\n100 0\n":           "must ascend",
		"-5 0\n":                   "below 0",
		"100 0 0 101\n":            "coherence of 101",
		strings.Repeat("x", 10000): "longer than 4096",
	} {
		_, err := ReadText(strings.NewReader(text))
		mustBe(t, err, "text", say)
	}
}

func FuzzReadText(f *testing.F) {
	f.Add("20,5;-3,25\n1000;0")
	f.Add("# sample_rate_hz: 48000\nfreq,phase,level,coh\n1,2,3,0.5")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ReadText(strings.NewReader(text))
		if err != nil {
			return
		}
		for _, column := range [][]float64{got.MagnitudeDB, got.PhaseDeg, got.Coherence, got.EffectiveAverages} {
			if column != nil && len(column) != len(got.FrequencyHz) {
				t.Fatalf("columns of %d and %d numbers", len(column), len(got.FrequencyHz))
			}
		}
		if s, _ := got.Spectra(48000, 16); len(s.Gxy) != len(s.FrequencyHz) {
			t.Error("spectra of another length")
		}
	})
}

func TestAnyLineEnding(t *testing.T) {
	for name, end := range map[string]string{"LF": "\n", "CR LF": "\r\n", "CR": "\r"} {
		got, err := ReadText(strings.NewReader(strings.Join([]string{"f,db", "100,1", "200,2", ""}, end)))
		if err != nil || len(got.FrequencyHz) != 2 || got.MagnitudeDB[1] != 2 {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
		_, err = ReadText(strings.NewReader(strings.Join([]string{"f,db", "200,1", "100,2"}, end)))
		if err == nil || !strings.Contains(err.Error(), "line 3: frequencies must ascend") || !strings.Contains(err.Error(), "sort the rows") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := ReadText(strings.NewReader("\xff\xfe1\x000\x00")); err == nil || !strings.Contains(err.Error(), "UTF-16") {
		t.Errorf("UTF-16: %v", err)
	}
}

// What an import did not have is not made up, neither on a page nor in a file.
func TestAssumedIsHidden(t *testing.T) {
	text, err := ReadText(strings.NewReader("100 -3\n200 -4\n"))
	if err != nil {
		t.Fatal(err)
	}
	s, _ := text.Spectra(48000, 16)
	take := Take{Results: Results{AssumedAverages: true, AssumedCoherence: true, AssumedPhase: true}}
	var c response.Curve
	s.Curve(&c)
	var b bytes.Buffer
	if err := WriteText(&b, take, &c); err != nil {
		t.Fatal(err)
	}
	if back, err := ReadText(&b); err != nil || back.PhaseDeg != nil || back.Coherence != nil || back.EffectiveAverages != nil || len(back.MagnitudeDB) != 2 || math.Abs(back.MagnitudeDB[1]+4) > 1e-12 {
		t.Errorf("came back as %+v, %v", back, err)
	}
	take.HideAssumed(&c)
	for name, x := range map[string]float64{"low": c.MagnitudeLowDB[0], "high": c.MagnitudeHighDB[0], "phase": c.PhaseDeg[0], "phase error": c.PhaseErrorDeg[0], "coherence": c.Coherence[0]} {
		if !math.IsNaN(x) {
			t.Errorf("%s is %g", name, x)
		}
	}
	if math.Abs(c.MagnitudeDB[0]+3) > 1e-12 {
		t.Errorf("magnitude %g", c.MagnitudeDB[0])
	}
}

// A response goes out as text and comes back the same, within the text's digits.
func TestTextRoundTrip(t *testing.T) {
	src := coherent(spectraOf(4))
	var curve response.Curve
	src.Curve(&curve)
	take := Take{Name: "main\nat row 12", At: "2026-08-12T12:00:00.000Z", SampleRateHz: 48000, DelayMs: src.DelayS * 1000}
	var b bytes.Buffer
	if err := WriteText(&b, take, &curve); err != nil {
		t.Fatal(err)
	}
	text, err := ReadText(&b)
	if err != nil {
		t.Fatal(err)
	}
	back, assumed := text.Spectra(0, 0)
	if assumed || back.SampleRateHz != 48000 || math.Abs(back.DelayS-src.DelayS) > 1e-12 {
		t.Errorf("rate %g, delay %g, assumed %v", back.SampleRateHz, back.DelayS, assumed)
	}
	var again response.Curve
	back.Curve(&again)
	for i := range curve.FrequencyHz {
		for k, pair := range [][2]float64{
			{curve.MagnitudeDB[i], again.MagnitudeDB[i]}, {curve.PhaseDeg[i], again.PhaseDeg[i]}, {curve.Coherence[i], again.Coherence[i]},
			{curve.MagnitudeLowDB[i], again.MagnitudeLowDB[i]}, {curve.EffectiveAverages[i], again.EffectiveAverages[i]},
		} {
			if d := math.Abs(pair[0] - pair[1]); !(d < 1e-9) && pair[0] != pair[1] {
				t.Fatalf("point %d, column %d: %g became %g", i, k, pair[0], pair[1])
			}
		}
	}
}

// coherent makes the spectra possible ones: |Gxy|² ≤ Gxx·Gyy.
func coherent(s *response.Spectra) *response.Spectra {
	for i := range s.Gyy {
		power := real(s.Gxy[i])*real(s.Gxy[i]) + imag(s.Gxy[i])*imag(s.Gxy[i])
		s.Gyy[i] = power / s.Gxx[i] / (0.3 + 0.6*float64(i%10)/10)
	}
	return s
}

func TestJSONRoundTrip(t *testing.T) {
	src := spectraOf(5)
	src.EffectiveAverages[3] = math.NaN()
	take := Take{ID: 9, At: "2026-08-12T12:00:00.000Z", Name: "A", Seat: 4, Loudspeakers: []int64{1}, Origin: Measured, SampleRateHz: 48000,
		Overlap: 0.75, DelayMs: src.DelayS * 1000, AveragedS: 8, Settings: []byte(`{}`)}
	var b bytes.Buffer
	if err := WriteJSON(&b, take, src); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	got, back, err := ReadJSON(&b)
	if err != nil {
		t.Fatal(err)
	}
	if got.Name != "A" || got.Seat != 0 || got.Loudspeakers != nil || got.Origin != Imported || got.At != take.At {
		t.Errorf("%+v", got)
	}
	if !math.IsNaN(back.EffectiveAverages[3]) {
		t.Error("unknown averages came back as a number")
	}
	back.EffectiveAverages[3], src.EffectiveAverages[3] = 0, 0
	back.DelayS = src.DelayS // through ms: equal within rounding
	if !reflect.DeepEqual(back, src) {
		t.Error("the spectra differ")
	}
	s := newShow(t)
	stored := must(s.AddTake(got, back, nil, "c1"))(t)
	if stored.At != take.At {
		t.Errorf("an import lost its time: %s", stored.At)
	}
	for change, say := range map[string]string{
		`"plumbline take"`: "format must be", `"version":1`: "known is 1", `"gxx":[`: "one length", `2026-08-12T`: "time",
	} {
		replacement := map[string]string{`"plumbline take"`: `"cake"`, `"version":1`: `"version":2`, `"gxx":[`: `"gxx":[1,`, `2026-08-12T`: `yesterday`}[change]
		_, _, err := ReadJSON(strings.NewReader(strings.Replace(text, change, replacement, 1)))
		if err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v, want %q", replacement, err, say)
		}
	}
}

// An impulse of 0.5, reversed, 100 samples late: |H| = −6.02 dB and 180° at
// every frequency once the delay is out.
func TestImpulseImport(t *testing.T) {
	h := make([]float64, 1000)
	h[100] = -0.5
	s, err := OfImpulse(48000, h, 16)
	if err != nil {
		t.Fatal(err)
	}
	if s.Window != 1024 || len(s.FrequencyHz) != 513 || math.Abs(s.DelayS-100.0/48000) > 1e-15 {
		t.Errorf("window %d, delay %g s", s.Window, s.DelayS)
	}
	var c response.Curve
	s.Curve(&c)
	for i := range c.FrequencyHz {
		if math.Abs(c.MagnitudeDB[i]-20*math.Log10(0.5)) > 1e-9 || math.Abs(math.Abs(c.PhaseDeg[i])-180) > 1e-9 {
			t.Fatalf("%g Hz: %g dB, %g°", c.FrequencyHz[i], c.MagnitudeDB[i], c.PhaseDeg[i])
		}
	}
	// And out again: the arrival stands 10 ms after the first sample.
	out, start, err := ImpulseOf(s)
	if err != nil {
		t.Fatal(err)
	}
	peak := 0
	for i, x := range out {
		if math.Abs(float64(x)) > math.Abs(float64(out[peak])) {
			peak = i
		}
	}
	if at := start + float64(peak)/48; math.Abs(at-100.0/48) > 1e-9 || out[peak] > 0 {
		t.Errorf("the arrival lies at %g ms with %g, want %g ms and reversed", at, out[peak], 100.0/48)
	}
	for _, bad := range [][]float64{nil, make([]float64, 10), {1, math.NaN()}, make([]float64, maxImpulse+1)} {
		_, err := OfImpulse(48000, bad, 16)
		mustBe(t, err, "impulse", "")
	}
}

// The bytes of the RIFF/WAVE format by hand.
func TestWriteWAV(t *testing.T) {
	var b bytes.Buffer
	if err := WriteWAV(&b, 48000, 2, []float32{1, -1, 0.5, 0}); err != nil {
		t.Fatal(err)
	}
	want := "RIFF\x42\x00\x00\x00WAVE" +
		"fmt \x12\x00\x00\x00\x03\x00\x02\x00\x80\xbb\x00\x00\x00\xdc\x05\x00\x08\x00\x20\x00\x00\x00" +
		"fact\x04\x00\x00\x00\x02\x00\x00\x00" +
		"data\x10\x00\x00\x00\x00\x00\x80\x3f\x00\x00\x80\xbf\x00\x00\x00\x3f\x00\x00\x00\x00"
	if b.String() != want {
		t.Errorf("\n% x, want\n% x", b.Bytes(), want)
	}
}

func TestCorrection(t *testing.T) {
	c := Correction{Points: [][2]float64{{100, -2}, {1000, 0}, {10000, 4}}}
	for f, want := range map[float64]float64{
		20: -2, 100: -2, 1000: 0, 20000: 4,
		math.Sqrt(100 * 1000):   -1, // half way in the logarithm of frequency
		math.Sqrt(1000 * 10000): 2,
	} {
		if got := c.At(f); math.Abs(got-want) > 1e-12 {
			t.Errorf("%g Hz: %g dB, want %g", f, got, want)
		}
	}
	points, err := ReadCorrection(strings.NewReader("* microphone 7\n100\t-2,0\n1000\t0\n10000\t4\n"))
	if err != nil || !reflect.DeepEqual(points, c.Points) {
		t.Errorf("%v, %v", points, err)
	}

	s := newShow(t)
	stored := must(s.PutCorrection(Correction{Name: "microphone 7", Points: points}, ""))(t)
	raw := coherent(spectraOf(2))
	take := must(s.AddTake(Take{Origin: Measured, Correction: stored.ID}, raw, nil, ""))(t)
	var plain, corrected response.Curve
	raw.Curve(&plain)
	var spectra response.Spectra
	if err := s.Spectra(take.ID, &spectra); err != nil {
		t.Fatal(err)
	}
	spectra.Curve(&corrected)
	for i, f := range plain.FrequencyHz {
		if d := plain.MagnitudeDB[i] - c.At(f) - corrected.MagnitudeDB[i]; math.Abs(d) > 1e-9 {
			t.Fatalf("%g Hz: off by %g dB", f, d)
		}
		if math.Abs(plain.Coherence[i]-corrected.Coherence[i]) > 1e-12 || math.Abs(plain.PhaseDeg[i]-corrected.PhaseDeg[i]) > 1e-9 {
			t.Fatalf("%g Hz: coherence or phase changed", f)
		}
	}
	// A deleted correction stays in the takes it was applied to.
	must(s.Delete(KindCorrection, stored.ID, ""))(t)
	var after response.Spectra
	if err := s.Spectra(take.ID, &after); err != nil || !reflect.DeepEqual(after.Gyy, spectra.Gyy) {
		t.Error("a deleted correction changed a take")
	}
	for _, bad := range []Correction{
		{Name: "x"}, {Name: "x", Points: [][2]float64{{0, 1}}}, {Name: "x", Points: [][2]float64{{100, 99}}}, {Name: "x", Points: [][2]float64{{100, 0}, {50, 0}}},
	} {
		_, err := s.PutCorrection(bad, "")
		mustBe(t, err, "points", "")
	}
}

func BenchmarkAddTake(b *testing.B) {
	s, err := New(b.TempDir()+"/x.plumbline", "x")
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	spectra, audio := spectraOf(1), audioOf(1, 20*48000) // 20 s, two channels, 7.7 MB
	for b.Loop() {
		if _, err := s.AddTake(Take{Origin: Measured}, spectra, audio, ""); err != nil {
			b.Fatal(err)
		}
	}
}
