package stationarity

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

const rateHz = 48000.0

// played is a programme through a box 10 ms away in a room of 0.6 s, with noise 25 dB
// below.
func played(seed uint64, name string, seconds float64) (x, y []float64) {
	r := programme.New(seed)
	x = programme.Play(r, name, rateHz, int(seconds*rateHz))
	y = programme.Convolve(x, programme.Room(r, rateHz, 0.010, 0.6, 3))
	return x, programme.AddPinkNoise(r, rateHz, y, 25)
}

func judged(t testing.TB, x, y []float64, delayS float64) Verdict {
	t.Helper()
	s, err := NewStretches(rateHz)
	if err != nil {
		t.Fatal(err)
	}
	d := int(math.Round(delayS * rateHz))
	for at := 0; at+s.Frames()+d <= len(x); at += s.Frames() / 2 {
		s.Add(float64(at+s.Frames()/2)/rateHz, x[at:at+s.Frames()], y[at+d:at+d+s.Frames()])
	}
	return s.Judge()
}

// movements are what was done to a path, and what has to be found of it.
var movements = []struct {
	name  string
	spoil func(y []float64) []float64
	check func(v Verdict) error
}{
	{"at rest", func(y []float64) []float64 { return y }, func(v Verdict) error {
		if v.Kind != Still || v.Gain != Still {
			return fmt.Errorf("kind %d, gain %d", v.Kind, v.Gain)
		}
		return nil
	}},
	{"3 ppm", drifts(3), drifted(3)},
	{"20 ppm", drifts(20), drifted(20)},
	{"−100 ppm", drifts(-100), drifted(-100)},
	{"wander of 0.15 ms at 0.3 Hz", func(y []float64) []float64 {
		return programme.Warp(y, rateHz, func(t float64) float64 { return 75e-6 * math.Sin(0.6*math.Pi*t) })
	}, func(v Verdict) error {
		if v.Kind != Wanders || math.Abs(v.RangeS-150e-6) > 25e-6 {
			return fmt.Errorf("kind %d, %.0f µs", v.Kind, 1e6*v.RangeS)
		}
		return nil
	}},
	{"1 lost", loses(1, 4.2), lost(1, 1)},
	{"7 lost three times", loses(7, 2.6, 5.1, 7.4), lost(7, 3)},
	{"480 lost", loses(480, 6.3), lost(480, 1)},
	{"960 lost three times", loses(960, 2.6, 5.1, 7.4), lost(960, 3)},
	{"gain of 3 dB from 4 s on", func(y []float64) []float64 {
		return programme.Ride(y, rateHz, func(t float64) float64 { return 3 * math.Floor(min(1.5, max(0.5, t/4))) })
	}, func(v Verdict) error {
		if v.Kind != Still || v.Gain != Steps || len(v.GainParts) != 2 || math.Abs(v.GainParts[1].Value-v.GainParts[0].Value-3) > 0.5 {
			return fmt.Errorf("kind %d, gain %d in parts %+v", v.Kind, v.Gain, v.GainParts)
		}
		return nil
	}},
	{"gain rides by ±2 dB", func(y []float64) []float64 {
		return programme.Ride(y, rateHz, func(t float64) float64 { return 2 * math.Sin(0.4*math.Pi*t) })
	}, func(v Verdict) error {
		if v.Kind != Still || v.Gain != Wanders || math.Abs(v.GainRangeDB-4) > 1 {
			return fmt.Errorf("kind %d, gain %d over %.1f dB", v.Kind, v.Gain, v.GainRangeDB)
		}
		return nil
	}},
}

func drifts(ppm float64) func([]float64) []float64 {
	return func(y []float64) []float64 { return programme.Drift(y, rateHz, ppm) }
}

// drifted wants the rate within a twentieth of a ppm, or a hundredth of it: what is
// left of that is 1 µs in 20 s.
func drifted(ppm float64) func(Verdict) error {
	return func(v Verdict) error {
		if v.Kind != Drifts || math.Abs(v.PPM-ppm) > max(0.05, 0.01*math.Abs(ppm)) {
			return fmt.Errorf("kind %d, %.3f ±%.3f ppm", v.Kind, v.PPM, v.PPMSD)
		}
		return nil
	}
}

func loses(count int, atS ...float64) func([]float64) []float64 {
	return func(y []float64) []float64 { return programme.Lose(y, rateHz, count, atS...) }
}

func lost(count, times int) func(Verdict) error {
	return func(v Verdict) error {
		if v.Kind != Steps || len(v.Samples) != times {
			return fmt.Errorf("kind %d, samples %d, parts %+v", v.Kind, v.Samples, v.Parts)
		}
		for _, s := range v.Samples {
			if s != -count {
				return fmt.Errorf("samples %d", v.Samples)
			}
		}
		return nil
	}
}

func TestWhatAPathDid(t *testing.T) {
	names := []string{"pink", "music", "speech"}
	for i, m := range movements {
		for j, name := range names {
			if !truth.Thorough && (i+j)%len(names) != 0 {
				continue
			}
			x, y := played(uint64(10*i+j), name, 10)
			if err := m.check(judged(t, x, m.spoil(y), 0.010)); err != nil {
				t.Errorf("%s, %s: %v", m.name, name, err)
			}
		}
	}
}

// The standard deviation of an offset is that of the scatter about the truth, for
// steady noise, to which the formula applies (Knapp and Carter 1976).
func TestErrorOfAnOffset(t *testing.T) {
	var square, n float64
	for seed := range uint64(4) {
		r := programme.New(5 + seed)
		x := programme.Pink(r, rateHz, int(12*rateHz))
		y := programme.AddPinkNoise(r, rateHz, programme.Delay(x, rateHz, 0.010), 0)
		v := judged(t, x, y, 0.010)
		// Offsets are re each other.
		var mean, weight float64
		for _, p := range v.Points {
			if !math.IsNaN(p.OffsetS) {
				w := 1 / (p.OffsetSDS * p.OffsetSDS)
				mean, weight = mean+w*p.OffsetS, weight+w
			}
		}
		for _, p := range v.Points {
			if !math.IsNaN(p.OffsetS) {
				d := (p.OffsetS - mean/weight) / p.OffsetSDS
				square += d * d
				n++
			}
		}
	}
	// n stretches that overlap by half: the ratio itself scatters by 1/√n.
	if ratio := math.Sqrt(square / n); n < 20 || ratio < 0.6 || ratio > 1.4 {
		t.Errorf("%.2f standard deviations root mean square in %g stretches", ratio, n)
	}
}

// What is followed is at rest again: a signal delayed by a path, and retimed by the
// same, is the signal, within what the interpolation costs.
func TestRetimeTakesThePathOut(t *testing.T) {
	x := programme.Filter(programme.White(programme.New(3), 48000), rateHz, func(hz float64) complex128 {
		if hz > 20000 {
			return 0
		}
		return 1
	})
	p := Drift(-80, 0.5)
	late := programme.Warp(x, rateHz, func(at float64) float64 { return p.OffsetS(at) })
	// The inverse of t − τ(t) is t + τ(t) but for the square of the rate, 6·10⁻⁹ of half
	// a second: 0.0002 samples.
	got := make([]float64, len(x))
	NewRetimer().Retime(got, 0, late, 0, p, rateHz)
	var off, all float64
	for i := 1000; i < len(x)-1000; i++ {
		off += (got[i] - x[i]) * (got[i] - x[i])
		all += x[i] * x[i]
	}
	if db := 10 * math.Log10(off/all); db > -55 {
		t.Errorf("off by %.1f dB", db)
	}
}

func TestFollowGoesThroughItsPoints(t *testing.T) {
	var points []Point
	for i := range 30 {
		at := 0.35 * float64(i)
		points = append(points, Point{AtS: at, OffsetS: 75e-6 * math.Sin(0.6*math.Pi*at), OffsetSDS: 1e-7})
	}
	p := Follow(points).Move(2)
	mean := 0.0
	for _, q := range points {
		mean += q.OffsetS / float64(len(points))
	}
	for at := 0.4; at < 9.5; at += 0.05 {
		want := 75e-6*math.Sin(0.6*math.Pi*at) - mean
		if off := math.Abs(p.OffsetS(at+2) - want); off > 1.5e-6 {
			t.Errorf("%.2f s: %.2f µs off", at, 1e6*off)
		}
	}
}

func TestMonitor(t *testing.T) {
	r := programme.New(1)
	for _, c := range []struct {
		name  string
		delay func(at float64) float64
		want  Kind
	}{
		{"at rest", func(float64) float64 { return 0.01 }, Still},
		{"3 ppm", func(at float64) float64 { return 0.01 + 3e-6*at }, Drifts},
		{"wander", func(at float64) float64 { return 0.01 + 60e-6*math.Sin(0.6*math.Pi*at) }, Wanders},
		{"a step", func(at float64) float64 { return 0.01 + 27e-6*math.Floor(at/20) }, Still},
		{"two lobes", func(at float64) float64 { return 0.01 + 100e-6*math.Mod(math.Floor(at/3), 2) }, Still},
	} {
		var m Monitor
		for i := range 600 {
			at := float64(i) / 20
			m.Add(at, c.delay(at)+2e-7*r.NormFloat64(), 5e-7)
		}
		if got := m.Movement(); got.Kind != c.want || c.want == Drifts && math.Abs(got.PPM-3) > 0.2 {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	var m Monitor
	if n := testing.AllocsPerRun(100, func() { m.lastS = -1; m.Add(1, 2, 3) }); n > 0 {
		t.Errorf("%g allocations", n)
	}
}

// Where the sound does not reach, it is silence: its ends are as with silence around.
func TestRetimeAtTheEnds(t *testing.T) {
	x := programme.White(programme.New(5), 400)
	around := append(append(make([]float64, 2*Margin), x...), make([]float64, 2*Margin)...)
	p := Drift(-80, 0.00003)
	got, want := make([]float64, len(x)+2*Margin), make([]float64, len(x)+2*Margin)
	r := NewRetimer()
	r.Retime(got, -Margin, x, 0, p, rateHz)
	r.Retime(want, -Margin, around, -2*Margin, p, rateHz)
	for i := range got {
		if math.Abs(got[i]-want[i]) > 1e-12 {
			t.Fatalf("sample %d: %v, want %v", i-Margin, got[i], want[i])
		}
	}
}
