package arrival

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// What repeats itself after 0.1 s or more leaves a delay within one period: the
// smallest that is not negative, wherever the recording begins, and the period is
// told. What is longer than the range is none.
func TestDelayWithinAPeriod(t *testing.T) {
	const rate = 48000
	for _, c := range []struct {
		period, late int // samples
		told         float64
	}{
		{8192, 300, 8192}, {8192, 8192 + 300, 8192}, {8192, -1000, 8192}, {1 << 14, 12000, 1 << 14}, {24000, -4800, 24000},
		{1 << 15, 31000, 1 << 15}, {50000, 700, 50000}, {1 << 16, 700, 1 << 16}, {68000, 700, 68000}, {1 << 17, 700, 0}, {100000, 700, 0},
	} {
		r := programme.New(uint64(c.period))
		whole := programme.Periodic(r, rate, 8*rate+4*c.period, c.period)
		x := whole[2*c.period:][:8*rate]
		y := programme.AddNoise(r, append([]float64(nil), whole[2*c.period-c.late:][:8*rate]...), 20)
		f, err := NewFinder(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		f.Feed(x, y)
		list, reason := f.Find(nil)
		want := float64((c.late+c.period)%c.period) / rate * 1000
		if len(list) != 1 || math.Abs(list[0].DelayMs-want) > 0.002 || list[0].Sign != 1 {
			t.Errorf("period %d, %d late: %+v %s, want %.3f ms", c.period, c.late, list, reason, want)
		}
		if f.PeriodS() != c.told/rate {
			t.Errorf("period %d: %.2f samples are told, want %g", c.period, f.PeriodS()*rate, c.told)
		}
	}
}

// Tones, and what a band leaves of noise, have no delay, whatever the microphone
// has heard of them.
func TestTonesHaveNoDelay(t *testing.T) {
	const rate = 48000
	for seed := range uint64(6) {
		r := programme.New(seed)
		x := programme.Tones(r, rate, 3*rate, []float64{87 * (1 + r.Float64()), 1130 * (1 + r.Float64()), 3100 * (1 + r.Float64()), 7300 * (1 + r.Float64())}[:2+seed%3], 0.4*r.Float64())
		y := programme.AddNoise(r, programme.Delay(x, rate, 0.013), 40)
		for i := range x {
			x[i] += 1e-4 * r.NormFloat64()
		}
		for _, seconds := range []float64{0.4, 1, 3} {
			n := int(seconds * rate)
			if list, reason := find(t, Config{}, x[:n], y[:n]); len(list) != 0 {
				t.Errorf("%d, %g s: %+v %s", seed, seconds, list, reason)
			}
		}
	}
}
