package arrival

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

func find(t testing.TB, cfg Config, x, y []float64) ([]Arrival, string) {
	t.Helper()
	if cfg.SampleRateHz == 0 {
		cfg.SampleRateHz = 48000
	}
	f, err := NewFinder(cfg)
	if err != nil {
		t.Fatal(err)
	}
	f.Feed(x, y)
	return f.Find(nil)
}

func TestFirst(t *testing.T) {
	r := programme.New(1)
	x := programme.White(r, 96000)
	for _, d := range []float64{0, 0.0123456, 0.7, 1.4999} {
		y := programme.AddNoise(r, programme.Delay(x, 48000, d), 20)
		for i := range y {
			y[i] = -y[i]
		}
		list, reason := find(t, Config{}, x, y)
		t.Log(d, list, reason)
	}
}

func TestScatter(t *testing.T) {
	for _, snr := range []float64{0, 20} {
		var err2, sd, n float64
		for i := range 40 {
			r := programme.New(uint64(i))
			x := programme.White(r, 48000)
			d := 0.01 + 0.001*r.Float64()
			y := programme.AddNoise(r, programme.Delay(x, 48000, d), snr)
			list, reason := find(t, Config{}, x, y)
			if len(list) != 1 {
				t.Error(list, reason)
				continue
			}
			e := list[0].DelayMs/1000 - d
			err2 += e * e
			sd += list[0].DelaySDMs / 1000
			n++
		}
		bound := math.Sqrt(3 / (8 * math.Pi * math.Pi * 1) / math.Pow(10, snr/10) / math.Pow(24000, 3))
		t.Logf("snr %g: rms %.4g us sd %.4g bound %.4g ratio %.3f", snr, math.Sqrt(err2/n)*1e6, sd/n*1e6, bound*1e6, math.Sqrt(err2/n)/bound)
	}
}
