package arrival

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// TestFollowerX moves a loudspeaker in steps while the follower listens.
func TestFollowerX(t *testing.T) {
	const rate = 48000
	for _, kind := range []string{"pink", "music", "speech"} {
		delays := []float64{12e-3, 15e-3, 15.2e-3, 300e-3, 40e-3, -5e-3, 39e-3}
		const part = 6 * rate
		x := make_(kind, 7, rate, part*len(delays))
		y := make([]float64, len(x))
		r := programme.New(3)
		for i, d := range delays {
			h := programme.Room(r, rate, 0.01+d, 0.8, 0)
			z := programme.Convolve(x, h)
			sign := 1.0
			if i%2 == 1 {
				sign = -1
			}
			for k := i * part; k < (i+1)*part; k++ {
				if k+480 < len(z) {
					y[k] = sign * z[k+480]
				}
			}
		}
		programme.AddNoise(r, y, 20)
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		since := -1.0
		for at := 0; at < len(x); at += 2400 {
			f.Feed(x[at:at+2400], y[at:at+2400])
			f.Step()
			d := delays[at/part]
			a, ok, _ := f.Delay()
			sign := 1
			if (at/part)%2 == 1 {
				sign = -1
			}
			if at%part == 0 {
				since = -1
			}
			if ok && math.Abs(a.DelayMs-1000*d) < 0.1 && a.Sign == sign {
				if since < 0 {
					since = float64(at%part+2400) / rate
				}
			} else if since >= 0 {
				t.Logf("%s lost again after %.2f s: %v %v", kind, float64(at%part)/rate, a, ok)
				since = -1
			}
			if at%part == part-2400 {
				l := f.Arrivals(nil)
				t.Logf("%s %d: %.4g ms found after %.2f s; now %.4f sd %.4f ok %v list %d first %v", kind, at/part, 1000*d, since, a.DelayMs, a.DelaySDMs, ok, len(l), l[:min(1, len(l))])
			}
		}
	}
}

func BenchmarkFollower(b *testing.B) {
	const rate = 48000
	r := programme.New(1)
	x := programme.Pink(r, rate, 10*rate)
	y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3)), 20)
	f, err := NewFollower(Config{SampleRateHz: rate})
	if err != nil {
		b.Fatal(err)
	}
	at := 0
	b.ReportAllocs()
	for b.Loop() {
		f.Feed(x[at:at+2400], y[at:at+2400])
		f.Step()
		at = (at + 2400) % len(x)
	}
	b.ReportMetric(0.05/(b.Elapsed().Seconds()/float64(b.N)), "x-realtime")
}
