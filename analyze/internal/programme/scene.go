package programme

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Loudspeaker is one of those that play together in a Scene.
type Loudspeaker struct {
	Box    Box
	Filter func(hz float64) complex128 // of the processor; nil for none
	Sign   int                         // of its wiring
	DelayS float64
	GainDB float64
	Edge   string
}

// Response is box and filter, without sign and delay.
func (l Loudspeaker) Response(hz float64) complex128 {
	h := l.Box.Response(hz) * complex(math.Pow(10, l.GainDB/20), 0)
	if l.Filter != nil {
		h *= l.Filter(hz)
	}
	return h
}

// LevelDB is how loud it plays at a frequency.
func (l Loudspeaker) LevelDB(hz float64) float64 {
	h := l.Response(hz)
	return 20 * math.Log10(math.Hypot(real(h), imag(h))+1e-30)
}

// Heard is the sign that its sound has at a frequency: that of its wiring, turned
// above a crossover that turns it by design.
func (l Loudspeaker) Heard(hz float64) int {
	if turned := l.Box.Crossover == LinkwitzRiley2 || l.Box.Crossover == Butterworth3Turned; turned && hz > l.Box.CrossoverHz {
		return -l.Sign
	}
	return l.Sign
}

// Scene is two loudspeakers that play the same programme into one room.
type Scene struct {
	Kind                  string // what the partner is: sub, fill, tower
	Main, Partner         Loudspeaker
	Programme             string
	DirectDB, RT60, SNRDB float64
	seed                  uint64
}

// RandomScene draws a main with a sub, a fill or a tower behind; each of the four
// ways to wire the two is as likely.
func RandomScene(seed uint64) Scene {
	r := New(500000 + seed)
	s := Scene{
		Kind: [...]string{"sub", "fill", "tower"}[seed%3], Programme: [...]string{"pink", "music", "speech", "white"}[seed/3%4],
		DirectDB: -3 + 12*r.Float64(), RT60: 0.3 + 1.5*r.Float64(), SNRDB: 10 + 30*r.Float64(), seed: seed,
	}
	s.Main = Loudspeaker{Box: RandomBox(r), Sign: 1 - 2*r.IntN(2), DelayS: 0.005 + 0.055*r.Float64()}
	p := &s.Partner
	*p = Loudspeaker{Box: RandomBox(r), Sign: 1 - 2*r.IntN(2)}
	switch s.Kind {
	case "sub":
		p.Box = Box{LowHz: 25 + 15*r.Float64(), LowOrder: 2 + 2*r.IntN(2), LowQ: 0.6 + 0.5*r.Float64(), HighHz: 2000}
		hz, kind := 60+90*r.Float64(), r.IntN(3)
		p.Filter = func(f float64) complex128 { low, _ := edges(kind, hz, f); return low }
		if p.Edge = "overlapping"; r.IntN(2) == 0 {
			p.Edge = "crossed over"
			s.Main.Filter = func(f float64) complex128 { _, high := edges(kind, hz, f); return high }
		}
		p.Edge += fmt.Sprintf(" at %.0f Hz, %d dB/octave", hz, [...]int{24, 18, 12}[kind])
		p.GainDB = 10 * r.Float64()
		p.DelayS = s.Main.DelayS - 0.003 + 0.013*r.Float64()
	case "fill":
		p.Box.LowHz *= 1 + r.Float64()
		p.GainDB = -10 + 13*r.Float64()
		offset := 0.0005 * math.Pow(60, r.Float64())
		if r.IntN(4) == 0 && offset < s.Main.DelayS {
			offset = -offset
		}
		p.DelayS = s.Main.DelayS + offset
	case "tower":
		p.GainDB = -6 + 12*r.Float64()
		p.DelayS = s.Main.DelayS + 0.02*math.Pow(10, r.Float64())
	}
	return s
}

// RandomPair draws a main and a fill that was aligned with it, or nearly so: both
// arrive within half a millisecond, the fill up to 12 dB weaker. Each of the four ways
// to wire the two is as likely; a half of the fills are of the main's kind.
func RandomPair(seed uint64) Scene {
	r := New(700000 + seed)
	s := Scene{
		Kind: "pair", Programme: [...]string{"pink", "music", "speech", "white"}[seed/4%4],
		DirectDB: -3 + 12*r.Float64(), RT60: 0.3 + 1.5*r.Float64(), SNRDB: 10 + 30*r.Float64(), seed: 1<<32 + seed,
	}
	s.Main = Loudspeaker{Box: RandomBox(r), Sign: 1 - 2*int(seed&1), DelayS: 0.005 + 0.055*r.Float64()}
	s.Partner = Loudspeaker{Box: RandomBox(r), Sign: 1 - 2*int(seed>>1&1), DelayS: s.Main.DelayS - 0.0005 + 0.001*r.Float64(), GainDB: -12 * r.Float64()}
	if r.IntN(2) == 0 {
		s.Partner.Box = s.Main.Box
	}
	return s
}

// edges are the low-pass and the high-pass of a crossover: Linkwitz-Riley of 24
// dB/octave, Butterworth of 18, Linkwitz-Riley of 12.
func edges(kind int, corner, hz float64) (low, high complex128) {
	s := complex(0, hz/corner)
	second := s*s + complex(math.Sqrt2, 0)*s + 1
	switch kind {
	case 0:
		return 1 / (second * second), s * s * s * s / (second * second)
	case 1:
		d := (1 + s) * (s*s + s + 1)
		return 1 / d, s * s * s / d
	}
	d := (1 + s) * (1 + s)
	return 1 / d, s * s / d
}

// Render plays the scene: what the processor is fed and what a microphone hears.
func (s Scene) Render(rate, seconds float64) (x, y []float64) {
	r := New(600000 + s.seed)
	n := int(seconds * rate)
	x = Play(r, s.Programme, rate, n)
	y = make([]float64, n)
	for _, l := range []Loudspeaker{s.Main, s.Partner} {
		part := Filter(x, rate, func(f float64) complex128 { return complex(float64(l.Sign), 0) * l.Response(f) })
		for i, v := range Convolve(part, Room(r, rate, l.DelayS, s.RT60, s.DirectDB)) {
			y[i] += v
		}
	}
	AddPinkNoise(r, rate, y, s.SNRDB)
	return x, y
}

// Play is n samples of the programme of that name.
func Play(r *rand.Rand, name string, rate float64, n int) []float64 {
	switch name {
	case "music":
		return Music(r, rate, n)
	case "speech":
		return Speech(r, rate, n)
	case "white":
		return White(r, n)
	case "gated":
		return Gated(r, rate, n)
	case "loud":
		return Loud(r, rate, n)
	case "choir":
		return Choir(r, rate, n)
	case "plucked":
		return Plucked(r, rate, n)
	case "loop":
		return Loop(r, rate, n)
	}
	return Pink(r, rate, n)
}

func (s Scene) String() string {
	return fmt.Sprintf("%s, direct %+.1f dB, %.1f s, noise %.0f dB, main %+d at %.2f ms %+v, %s %+d %s at %+.2f ms, %+.1f dB %+v",
		s.Programme, s.DirectDB, s.RT60, s.SNRDB, s.Main.Sign, 1000*s.Main.DelayS, s.Main.Box,
		s.Kind, s.Partner.Sign, s.Partner.Edge, 1000*(s.Partner.DelayS-s.Main.DelayS), s.Partner.GainDB, s.Partner.Box)
}
