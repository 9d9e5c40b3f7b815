package programme

import (
	"fmt"
	"math"
)

// Straight is a loudspeaker behind a processor whose filters are symmetric, so that
// they do not turn the phase.
type Straight struct {
	Box       Box     // minimum-phase: what it does by itself
	LowHz     float64 // edges of the processor, 0 for none, of so many poles
	HighHz    float64
	Order     int
	Whole     bool // the processor takes the box's own phase away as well
	Room      bool // in a room, or by cable
	Sign      int
	DelayS    float64
	Programme string

	DirectDB, RT60, SNRDB float64
	seed                  uint64
}

// RandomStraight draws one: a box whose drivers are split by a symmetric filter
// (which adds up to a delay), with or without such edges of the band, by cable or in
// a room.
func RandomStraight(seed uint64) Straight {
	r := New(700000 + seed)
	s := Straight{
		Box: RandomBox(r), Room: seed%2 == 1, Sign: 1 - 2*r.IntN(2), DelayS: 0.003 + 0.05*r.Float64(), Order: 4 + 4*r.IntN(11),
		Programme: [...]string{"pink", "music", "speech", "white"}[seed/2%4], seed: seed,
		DirectDB: -3 + 12*r.Float64(), RT60: 0.3 + 1.5*r.Float64(), SNRDB: 60 + 40*r.Float64(),
	}
	if s.Room {
		s.SNRDB = 10 + 30*r.Float64()
	}
	s.Box.Crossover = FullRange
	switch r.IntN(4) {
	case 0: // crossover only
	case 1:
		s.LowHz = 60 * math.Pow(6, r.Float64())
	case 2:
		s.HighHz = 1200 * math.Pow(12, r.Float64())
		s.LowHz = 60 * math.Pow(6, r.Float64())
	case 3:
		s.Whole = true
		if r.IntN(2) == 0 {
			s.LowHz = 60 * math.Pow(6, r.Float64())
		}
	}
	return s
}

// Response is its transfer function, without sign and delay.
func (s Straight) Response(hz float64) complex128 {
	h := s.Box.Response(hz)
	if s.Whole {
		h = complex(math.Hypot(real(h), imag(h)), 0)
	}
	// Butterworth magnitudes.
	if s.LowHz > 0 {
		h *= complex(1/math.Sqrt(1+math.Pow(s.LowHz/max(hz, 1), float64(2*s.Order))), 0)
	}
	if s.HighHz > 0 {
		h *= complex(1/math.Sqrt(1+math.Pow(hz/s.HighHz, float64(2*s.Order))), 0)
	}
	return h
}

// Render plays it: what the processor is fed and what is heard.
func (s Straight) Render(rate, seconds float64) (x, y []float64) {
	r := New(800000 + s.seed)
	x = Play(r, s.Programme, rate, int(seconds*rate))
	y = Filter(x, rate, func(f float64) complex128 { return complex(float64(s.Sign), 0) * s.Response(f) })
	if s.Room {
		y = Convolve(y, Room(r, rate, s.DelayS, s.RT60, s.DirectDB))
		AddPinkNoise(r, rate, y, s.SNRDB)
	} else {
		y = AddNoise(r, Delay(y, rate, s.DelayS), s.SNRDB)
	}
	return x, y
}

func (s Straight) String() string {
	where := "by cable"
	if s.Room {
		where = fmt.Sprintf("direct %+.1f dB, %.1f s", s.DirectDB, s.RT60)
	}
	return fmt.Sprintf("%s, %s, noise %.0f dB, %+d at %.2f ms, edges %.0f…%.0f Hz of order %d, whole %v, %+v",
		s.Programme, where, s.SNRDB, s.Sign, 1000*s.DelayS, s.LowHz, s.HighHz, s.Order, s.Whole, s.Box)
}
