package survey

import (
	"math"
	"slices"
	"strings"
	"testing"

	"plumbline/analyze/taketest"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// A take says what is wrong with it: a path that did not stand still, crosstalk, a
// limiter, peaks that are cut off, channels that are swapped.
func TestTakeSaysWhatIsWrong(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	const rate = 48000
	k := taketest.Random(9, rate, 9) // pink noise
	noise := make([]float64, len(k.Y))
	for i := range noise {
		noise[i] = k.Y[i] - k.Heard[i]
	}
	driven := func(x []float64) []float64 {
		y := taketest.Convolve(x, k.Impulse)
		for i := range y {
			y[i] += noise[i]
		}
		return y
	}
	sent, heard := slices.Max(k.X), slices.Max(k.Y)
	hot, leaky := make([]float64, len(k.Y)), make([]float64, len(k.Y))
	for i, v := range k.Y {
		hot[i] = max(-1, min(1, 4*v/heard))
		leaky[i] = v + 0.1*k.X[i]*heard/sent
	}
	for _, c := range []struct {
		name string
		x, y []float64
		code string
	}{
		{"at rest", k.X, k.Y, ""},
		{"two clocks", k.X, taketest.Drift(k.Y, rate, 10), "moving"},
		{"samples lost", k.X, taketest.Lose(k.Y, rate, 480, 4), "lost_samples"},
		{"crosstalk", k.X, leaky, "crosstalk"},
		{"a limiter", k.X, driven(taketest.Compress(k.X, rate, 15, math.Inf(1), 0.005, 0.2)), "not_linear"},
		{"peaks cut off", k.X, driven(taketest.Clip(k.X, 9)), "not_linear"},
		{"the microphone overloads", k.X, hot, "clipped"},
		{"swapped", k.Y, k.X, "swapped"},
		{"something else plays", taketest.Random(2, rate, 9).X, k.Y, "no_delay"},
	} {
		setup := Setup{Source: "test", SampleRateHz: rate, Channels: []string{"a", "b"}, Reference: 1, Microphones: []int{2}}
		m, err := newMeasurement(setup, []int{2}, wire.DefaultGoal, nil)
		if err != nil {
			t.Fatal(err)
		}
		block := make([]float32, 0, 2*len(k.X))
		for i := range k.X {
			block = append(block, float32(c.x[i]), float32(c.y[i]))
		}
		if err := m.feed(block); err != nil {
			t.Fatal(err)
		}
		taken := m.take(0, wire.TakeSettings{LevelDBFS: wire.Unknown()})
		var codes []string
		for _, w := range taken.Results.Cautions {
			codes = append(codes, w.Code)
			if w.Code != "no_delay" && !strings.HasSuffix(w.Text, " Take it again.") {
				t.Errorf("%s: %q", c.name, w.Text)
			}
		}
		if got := strings.Join(codes, " "); got != c.code {
			t.Errorf("%s: %q, want %q", c.name, taken.Results.Cautions, c.code)
		}
	}
}
