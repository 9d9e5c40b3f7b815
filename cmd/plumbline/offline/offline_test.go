package offline

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"testing"

	"plumbline/analyze/response"
	"plumbline/capture/leak"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/raced"
)

func TestMain(m *testing.M) { leak.Main(m) }

const rateHz = 48000

// recording is noise and, on channel 1, the same 100 samples later and half as
// loud with noise of its own, and on channel 2 that again, reversed.
func recording(t testing.TB, seconds float64) Recording {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: rateHz, Channels: 3})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	var past [100]float32
	frames := int(seconds * rateHz)
	block := make([]float32, 0, 3*frames)
	for i := range frames {
		x := float32(r.NormFloat64() * 0.1)
		y := past[i%len(past)]/2 + float32(r.NormFloat64()*0.02)
		past[i%len(past)] = x
		block = append(block, x, y, -y)
	}
	if err := w.Write(block); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return Recording{File: f, Reference: 0, Microphones: []int{1, 2}, To: f.Frames()}
}

// However many cores share the work, the result is the same to the last bit.
func TestCoresMakeNoDifference(t *testing.T) {
	rec := recording(t, 25) // two stretches
	var first *Responses
	for _, workers := range []int{1, 4} {
		r, err := Response(t.Context(), rec, ResponseConfig{Overlap: 0.75, Workers: workers, DelayS: []float64{100. / rateHz, 100. / rateHz}})
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = r
		}
		for i := range r.Spectra {
			if !reflect.DeepEqual(r.Spectra[i], first.Spectra[i]) {
				t.Errorf("microphone %d: %d workers differ from one", i, workers)
			}
		}
	}
}

// Cut into stretches or fed in one piece: the same segments, so the same sums
// but for the order in which they are added.
func TestStretchesAddUpToTheWhole(t *testing.T) {
	raced.NotFor(t, "it is about numbers: TestCoresMakeNoDifference has the workers")
	const tolerance = 1e-9
	rec := recording(t, 25)
	for _, window := range []int{0, 8192} {
		cfg := ResponseConfig{Window: window, Overlap: 0.75, DelayS: []float64{100. / rateHz, 0}}
		cut, err := Response(t.Context(), rec, cfg)
		if err != nil {
			t.Fatal(err)
		}
		cfg.Until = &Until{WithinDB: 1e-9, LowHz: 20, HighHz: 20000} // never: hears it to the end
		whole, err := Response(t.Context(), rec, cfg)
		if err != nil {
			t.Fatal(err)
		}
		if whole.Sure || whole.UsedS != 25 {
			t.Errorf("sure %v after %g s", whole.Sure, whole.UsedS)
		}
		for i := range cut.Spectra {
			a, b := &cut.Spectra[i], &whole.Spectra[i]
			for k := range a.Gxy {
				if e := math.Abs(a.Gxx[k]-b.Gxx[k]) / b.Gxx[k]; e > tolerance {
					t.Fatalf("window %d, microphone %d, %g Hz: Gxx is %.1e off", window, i, a.FrequencyHz[k], e)
				}
				// What windows share across the cut is not counted.
				if e := math.Abs(a.EffectiveAverages[k]-b.EffectiveAverages[k]) / b.EffectiveAverages[k]; e > 0.01 {
					t.Fatalf("window %d, microphone %d, %g Hz: %g averages and not %g", window, i, a.FrequencyHz[k], a.EffectiveAverages[k], b.EffectiveAverages[k])
				}
			}
		}
	}
}

func TestUntilSureStopsEarly(t *testing.T) {
	rec := recording(t, 10)
	r, err := Response(t.Context(), rec, ResponseConfig{Overlap: 0.75, Until: &Until{WithinDB: 1, LowHz: 500, HighHz: 8000}, DelayS: []float64{100. / rateHz, 100. / rateHz}})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Sure || r.UsedS >= 10 || r.UsedS <= 0 {
		t.Fatalf("sure %v after %g s", r.Sure, r.UsedS)
	}
	var c response.Curve
	r.Spectra[0].Curve(&c)
	points, wide := 0, 0
	for k, hz := range c.FrequencyHz {
		if hz < 500 || hz > 8000 {
			continue
		}
		points++
		if !(c.MagnitudeHighDB[k]-c.MagnitudeLowDB[k] < 2.1) {
			wide++
		}
	}
	// One point in twenty may be a notch that no averaging fills.
	if points == 0 || wide*20 > points {
		t.Errorf("%d of %d intervals are wider than ±1 dB", wide, points)
	}
}

// A part of a recording is analysed as if it were all there is.
func TestPartOfARecording(t *testing.T) {
	rec := recording(t, 12)
	part := rec
	part.From, part.To = 4*rateHz, 9*rateHz
	whole, err := Response(t.Context(), part, ResponseConfig{Window: 4096, Overlap: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	if got := whole.Spectra[0].AveragedS; math.Abs(got-5) > 0.1 {
		t.Errorf("%g s averaged, want 5", got)
	}
	found, err := Arrivals(t.Context(), part, ArrivalsConfig{})
	if err != nil {
		t.Fatal(err)
	}
	for i, sign := range []int{1, -1} {
		a, ok := found[i].Main()
		if want := 1000 * 100. / rateHz; !ok || math.Abs(a.DelayMs-want) > 0.001 || a.Sign != sign {
			t.Errorf("microphone %d: %+v, %v: want %g ms, sign %d", i, a, found[i].Reason, want, sign)
		}
	}
}

func TestCancel(t *testing.T) {
	rec := recording(t, 25)
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := Response(ended, rec, ResponseConfig{Overlap: 0.75, Workers: 2}); !errors.Is(err, context.Canceled) {
		t.Errorf("response: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	never := &Until{WithinDB: 1e-9, LowHz: 20, HighHz: 20000}
	if _, err := Response(ctx, rec, ResponseConfig{Overlap: 0.75, Until: never, Progress: func(float64, float64) { cancel() }}); !errors.Is(err, context.Canceled) {
		t.Errorf("response until sure: %v", err)
	}
	ctx, cancel = context.WithCancel(t.Context())
	if _, err := Arrivals(ctx, rec, ArrivalsConfig{Progress: func(float64, float64) { cancel() }}); !errors.Is(err, context.Canceled) {
		t.Errorf("arrivals: %v", err)
	}
}

// BenchmarkResponse is how much faster than the sound the recording is read.
func BenchmarkResponse(b *testing.B) {
	rec := recording(b, 60)
	for _, c := range []struct {
		name   string
		window int
	}{{"multi", 0}, {"16384", 16384}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Response(b.Context(), rec, ResponseConfig{Window: c.window, Overlap: 0.75}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}
