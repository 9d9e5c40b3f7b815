package arrival

import (
	"testing"

	"plumbline/analyze/internal/programme"
)

func newFinder(t testing.TB, cfg Config) *Finder {
	t.Helper()
	if cfg.SampleRateHz == 0 {
		cfg.SampleRateHz = 48000
	}
	f, err := NewFinder(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// find is what a Finder says about a whole recording.
func find(t testing.TB, cfg Config, x, y []float64) ([]Arrival, string) {
	t.Helper()
	f := newFinder(t, cfg)
	f.Feed(x, y)
	return f.Find(nil)
}

// loudest is the strongest arrival of a list that has one.
func loudest(list []Arrival) Arrival {
	best := list[0]
	for _, a := range list {
		if a.LevelDB > best.LevelDB {
			best = a
		}
	}
	return best
}

// play makes n samples of programme.
func play(kind string, seed uint64, rate float64, n int) []float64 {
	r := programme.New(seed)
	switch kind {
	case "white":
		return programme.White(r, n)
	case "pink":
		return programme.Pink(r, rate, n)
	case "music":
		return programme.Music(r, rate, n)
	case "speech":
		return programme.Speech(r, rate, n)
	}
	panic("no programme " + kind)
}
