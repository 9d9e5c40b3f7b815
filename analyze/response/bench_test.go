package response

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

func whiteNoise(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 7))
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.1 * r.NormFloat64()
	}
	return x
}

// BenchmarkLive feeds a second of sound in blocks of 480 frames and reads the
// spectra, as curves, of every microphone 20 times.
func BenchmarkLive(b *testing.B) {
	const rate, block = 48000, 480
	for _, mics := range []int{1, 32} {
		b.Run(fmt.Sprintf("multi/microphones=%d", mics), func(b *testing.B) {
			e, err := NewEstimator(Config{SampleRateHz: rate, Microphones: mics})
			if err != nil {
				b.Fatal(err)
			}
			ref := whiteNoise(rate, 1)
			mic := make([][]float64, mics)
			for m := range mic {
				mic[m] = whiteNoise(rate, uint64(m+2))
				for i := range mic[m] {
					mic[m][i] += ref[i]
				}
				if err := e.SetDelay(m, float64(m)*0.001); err != nil {
					b.Fatal(err)
				}
			}
			part := make([][]float64, mics)
			var s Spectra
			var c Curve
			for b.Loop() {
				for from := 0; from < rate; from += block {
					for m := range mic {
						part[m] = mic[m][from:][:block]
					}
					e.Feed(ref[from:][:block], part)
					if from%(rate/20) == 0 {
						for m := range mic {
							e.Spectra(m, &s)
							s.Curve(&c)
						}
					}
				}
			}
			second := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(1/second, "x-realtime")
			b.ReportMetric(100*second, "%core")
		})
	}
}

// BenchmarkRecording analyses stereo with a window of 16384 and 75 % overlap, as
// one core does it.
func BenchmarkRecording(b *testing.B) {
	const rate, seconds = 48000, 20
	ref, mic := whiteNoise(rate*seconds, 1), whiteNoise(rate*seconds, 2)
	e, err := NewEstimator(Config{SampleRateHz: rate, Window: 16384, Averaging: Averaging{Mode: Infinite}, EverySegment: true})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		e.Reset()
		e.Feed(ref, [][]float64{mic})
	}
	second := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(seconds/second, "x-realtime")
}
