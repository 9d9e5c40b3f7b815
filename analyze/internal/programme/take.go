package programme

import (
	"fmt"
	"math"
)

// Take is one recording of one loudspeaker in a room with nothing wrong with it:
// what is left of it when it was spoilt is for whoever spoils it.
type Take struct {
	Name    string
	RateHz  float64
	X, Y    []float64 // reference and microphone; peaks of the reference at −6 dBFS
	Heard   []float64 // Y without the noise
	Impulse []float64 // of the path; the direct sound is at DelayS
	DelayS  float64
	Sign    int // how the loudspeaker is wired
	Box     Box
	RT60    float64 // s
	Direct  float64 // direct to reverberant ratio, dB
	SNRDB   float64
}

// plays is what clean takes are made with.
var plays = []string{"pink", "white", "gated", "music", "loud", "choir", "speech", "plucked", "loop"}

// RandomTake draws a clean one of that many seconds: any programme, through a
// random box 0.3…15 m away in a room of 0.2…2 s, at 10…45 dB signal to noise.
func RandomTake(seed uint64, rateHz, seconds float64) *Take {
	r := New(700000 + seed)
	name := plays[r.IntN(len(plays))]
	t := &Take{
		RateHz: rateHz, DelayS: 0.001 * math.Exp2(5.5*r.Float64()), Sign: 1 - 2*r.IntN(2), Box: RandomBox(r),
		RT60: 0.2 * math.Pow(10, r.Float64()), Direct: 12*r.Float64() - 4, SNRDB: 10 + 35*r.Float64(),
	}
	t.Box.HighReversed = false
	n := int(seconds * rateHz)
	t.X = Play(r, name, rateHz, n)
	peak := 0.0
	for _, v := range t.X {
		peak = max(peak, math.Abs(v))
	}
	for i := range t.X {
		t.X[i] *= 0.5 / peak
	}
	room := Room(r, rateHz, t.DelayS, t.RT60, t.Direct)
	t.Impulse = Filter(append(room, make([]float64, int(rateHz/4))...), rateHz, func(hz float64) complex128 {
		return complex(0.3*float64(t.Sign), 0) * t.Box.Response(hz)
	})
	t.Heard = Convolve(t.X, t.Impulse)
	t.Y = AddPinkNoise(r, rateHz, append([]float64(nil), t.Heard...), t.SNRDB)
	t.Name = fmt.Sprintf("%d: %s, %.2f ms, room of %.1f s, direct %+.0f dB, noise %.0f dB", seed, name, 1000*t.DelayS, t.RT60, t.Direct, t.SNRDB)
	return t
}
