package survey

import (
	"strings"
	"testing"

	"plumbline/analyze/taketest"
	"plumbline/stream/wire"
)

// A take says whether its path stood still while it was made.
func TestTakeSaysThatItsPathMoved(t *testing.T) {
	const rate = 48000
	k := taketest.Random(9, rate, 9) // pink noise
	for _, c := range []struct {
		name string
		y    []float64
		code string
	}{
		{"at rest", k.Y, ""},
		{"two clocks", taketest.Drift(k.Y, rate, 10), "moving"},
		{"samples lost", taketest.Lose(k.Y, rate, 480, 4), "lost_samples"},
	} {
		setup := Setup{Source: "test", SampleRateHz: rate, Channels: []string{"a", "b"}, Reference: 1, Microphones: []int{2}}
		m, err := newMeasurement(setup, []int{2}, wire.DefaultGoal, nil)
		if err != nil {
			t.Fatal(err)
		}
		block := make([]float32, 0, 2*len(k.X))
		for i := range k.X {
			block = append(block, float32(k.X[i]), float32(c.y[i]))
		}
		if err := m.feed(block); err != nil {
			t.Fatal(err)
		}
		taken := m.take(0, wire.TakeSettings{LevelDBFS: wire.Unknown()})
		var codes []string
		for _, w := range taken.Results.Cautions {
			codes = append(codes, w.Code)
			if !strings.HasSuffix(w.Text, " Take it again.") {
				t.Errorf("%s: %q", c.name, w.Text)
			}
		}
		if got := strings.Join(codes, " "); got != c.code {
			t.Errorf("%s: %q, want %q", c.name, taken.Results.Cautions, c.code)
		}
	}
}
