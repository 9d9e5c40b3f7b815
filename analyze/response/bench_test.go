//go:build unix

package response

import (
	"fmt"
	"syscall"
	"testing"
	"time"
)

// cpuTime is what this process has used of the processors, which others who
// share the machine cannot lengthen.
func cpuTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// report relates the processor time of the loop to the seconds of sound in it.
func report(b *testing.B, soundSeconds float64, used time.Duration) {
	perSecond := used.Seconds() / (soundSeconds * float64(b.N))
	b.ReportMetric(1/perSecond, "x-realtime")
	b.ReportMetric(100*perSecond, "%core")
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
			used := cpuTime(b)
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
			report(b, 1, cpuTime(b)-used)
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
	used := cpuTime(b)
	for b.Loop() {
		e.Reset()
		e.Feed(ref, [][]float64{mic})
	}
	report(b, seconds, cpuTime(b)-used)
}
