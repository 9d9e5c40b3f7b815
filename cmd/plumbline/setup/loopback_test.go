package setup

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"plumbline/stream/wire"
)

// heardBack is what two inputs hear of four seconds of noise: nothing on the first, and on
// the second what away makes of the sample at a place, in samples.
func heardBack(gain float64, away func(i int) float64) *sent {
	const rate, n = 48000, 4 * 48000
	rng := rand.New(rand.NewPCG(1, 2))
	r := &sent{rateHz: rate, back: [][]float32{make([]float32, n), make([]float32, n)}}
	// It is played and heard in blocks of 10 ms, each at its time.
	for i := 0; i < n; i += 480 {
		r.fills = append(r.fills, moment{i, time.Unix(0, 0).Add(time.Duration(i) * time.Second / rate)})
		r.hears = append(r.hears, moment{i + 480, time.Unix(0, 0).Add(time.Duration(i+480) * time.Second / rate)})
	}
	for range n {
		r.played = append(r.played, 0.03*rng.NormFloat64())
	}
	for i := range n {
		at := away(i)
		k := int(math.Floor(at))
		part := at - float64(k)
		if k >= 0 && k+1 < n { // noise of the same kind, in between
			r.back[1][i] = float32(gain * ((1-part)*r.played[k] + part*r.played[k+1]))
		}
		r.back[0][i] = float32(1e-5 * rng.NormFloat64())
	}
	return r
}

// The cable's input, its time, its level and which way round it is are found; two clocks
// make it wander, one does not.
func TestLoopbackIsFound(t *testing.T) {
	const late = 2112 // samples, 44 ms
	for _, c := range []struct {
		name             string
		gain             float64
		away             func(i int) float64
		input            int
		inverted, wander bool
	}{
		{"a cable", 0.5, func(i int) float64 { return float64(i - late) }, 2, false, false},
		{"turned round", -0.5, func(i int) float64 { return float64(i - late) }, 2, true, false},
		{"two clocks, 50 ppm", 0.5, func(i int) float64 { return float64(i-late) * (1 + 50e-6) }, 2, false, true},
		{"samples were lost", 0.5, func(i int) float64 {
			if i > 2*48000 {
				return float64(i - late + 64)
			}
			return float64(i - late)
		}, 2, false, true},
		{"no cable", 0, func(i int) float64 { return float64(i) }, 0, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			var v wire.Loopback
			if err := heardBack(c.gain, c.away).find(&v); err != nil {
				t.Fatal(err)
			}
			if v.Input != c.input || v.Inverted != c.inverted || v.Wanders != c.wander {
				t.Fatalf("%+v", v)
			}
			if c.input == 0 {
				return
			}
			// The frame that ends a block was given away five blocks before: 44 ms, and what
			// drift or loss makes of them, in whole blocks of 10 ms.
			if v.RoundTripMs != 50 {
				t.Errorf("round trip %.2f ms, want 50", float64(v.RoundTripMs))
			}
			// −30 dBFS is what is sent, whatever the noise here was.
			if !c.wander && math.Abs(float64(v.LevelDBFS)-(loopbackDBFS+20*math.Log10(math.Abs(c.gain)))) > 0.1 {
				t.Errorf("level %.1f dBFS", float64(v.LevelDBFS))
			}
		})
	}
}
