package offline

import (
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"testing"

	"plumbline/analyze/caution"
	"plumbline/capture/wavfile"
)

// What is watched on the way is what Inspect finds, also where stretches meet: with
// zeros and samples at the rail all over the recording.
func TestWatchedIsInspected(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: rateHz, Channels: 2})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 4))
	x := make([]float32, 2*50*rateHz) // three stretches
	for i := range x {
		x[i] = float32(r.NormFloat64() * 0.1)
	}
	spoil := func(frame, n int, v float32) {
		for i := frame; i < frame+n; i++ {
			x[2*i+1] = v
		}
	}
	for frame := 5000; frame < 50*rateHz-5000; frame += 20011 {
		spoil(frame, 40, 0)
		spoil(frame+3001, 3, 1)
	}
	for _, seam := range []int{1 << 20, 2 << 20} { // as the estimator cuts it, and the next tenth of a second
		spoil(seam-20, 40, 0)
		tenth := (seam + rateHz/10 - 1) / (rateHz / 10) * (rateHz / 10)
		spoil(tenth-1, 2, 1)
		spoil(tenth+100, 30, 0)
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, from := range []int64{0, 12345} {
		rec := Recording{File: f, Reference: 0, Microphones: []int{1}, From: from, To: f.Frames() - 777}
		for _, delay := range []float64{0, -0.1, 0.3} {
			cfg := ResponseConfig{Window: 16384, Overlap: 0.75, DelayS: []float64{delay}, Workers: 3}
			if !CanWatch(rec, cfg) {
				t.Fatal("cannot be watched")
			}
			plain, err := Response(t.Context(), rec, cfg)
			if err != nil {
				t.Fatal(err)
			}
			cfg.Watch = caution.NewTake(rec.RateHz(), 1)
			got, err := Response(t.Context(), rec, cfg)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, plain) {
				t.Errorf("from %d, delay %v s: the spectra differ", from, delay)
			}
			take, err := Inspect(t.Context(), rec)
			if err != nil {
				t.Fatal(err)
			}
			facts, want := cfg.Watch.Facts(0), take.Facts(0)
			if len(want.Lost) < 100 || want.MicrophoneClipped.Samples < 300 {
				t.Fatalf("%d holes, %d samples at the rail: too few to prove anything", len(want.Lost), want.MicrophoneClipped.Samples)
			}
			facts.ReferenceStopsS, want.ReferenceStopsS = 0, 0 // NaN, which equals nothing
			if !reflect.DeepEqual(facts, want) {
				t.Errorf("from %d, delay %v s: %+v, want %+v", from, delay, facts, want)
			}
		}
	}
	if CanWatch(Recording{File: f, Microphones: []int{1}}, ResponseConfig{Window: 1024}) {
		t.Error("short windows can be watched, but read too little")
	}
}
