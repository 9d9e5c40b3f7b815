package sweep

import (
	"math"
)

// Order is the distortion of one order as a curve.
type Order struct {
	N int // 2…5
	// FrequencyHz is that of what was played; the product is at N times it.
	FrequencyHz []float64
	// LevelDB is that of the product re the linear response at the frequency played; NaN
	// where it does not stand out of the noise by 10 dB.
	LevelDB []float64
}

const (
	highestOrder = 5
	perOctave    = 12
	clearDB      = 10
)

// orders are the curves of the products of orders 2 to 5, each the power over a sixth of
// an octave. Every order, and the linear response it is compared with, is taken out by
// the same window, as long as the shortest time between two of them; the same at the end of
// the response says what is noise. h has the direct sound at lead, and is known up to end.
func (s *sweeps) orders(h []float64, end int) []Order {
	constant := s.constant()
	room := constant * math.Log(6.0/5)
	lead := float64(s.lead)
	at := func(n float64) []complex128 { return s.windowed(h, lead-constant*math.Log(n), room) }
	linear := at(1)
	noise := s.windowed(h, float64(end)-0.6*room, room)
	over := func(spectrum []complex128, f float64) float64 {
		spacing := s.rate / float64(s.plan.Len())
		low, high := int(math.Ceil(f*math.Pow(2, -1.0/12)/spacing)), int(f*math.Pow(2, 1.0/12)/spacing)
		sum := 0.0
		for k := low; k <= high; k++ {
			sum += power(spectrum[k])
		}
		return sum / float64(high-low+1)
	}
	var all []Order
	for n := 2; n <= highestOrder; n++ {
		o := Order{N: n}
		spectrum := at(float64(n))
		for f := s.cfg.LowHz * math.Pow(2, 1.0/12); f*float64(n)*math.Pow(2, 1.0/12) <= s.cfg.HighHz; f *= math.Pow(2, 1.0/perOctave) {
			product, floor := over(spectrum, f*float64(n)), over(noise, f*float64(n))
			level := math.NaN()
			if product > floor*math.Pow(10, clearDB/10.0) {
				level = 10 * math.Log10((product-floor)/over(linear, f))
			}
			o.FrequencyHz, o.LevelDB = append(o.FrequencyHz, f), append(o.LevelDB, level)
		}
		all = append(all, o)
	}
	return all
}

// windowed is the spectrum of h about a lag, from four tenths of room in front of it to
// nearly six behind, with faded edges.
func (s *sweeps) windowed(h []float64, lag, room float64) []complex128 {
	x := make([]float64, s.plan.Len())
	begin, end := int(lag-0.4*room), int(lag+0.58*room)
	rise, fall := 0.15*room, 0.2*room
	for i := begin; i < end; i++ {
		w := 1.0
		if d := float64(i - begin); d < rise {
			w = (1 - math.Cos(math.Pi*d/rise)) / 2
		}
		if d := float64(end - i); d < fall {
			w *= (1 - math.Cos(math.Pi*d/fall)) / 2
		}
		k := ((i % len(h)) + len(h)) % len(h)
		x[((i%len(x))+len(x))%len(x)] = w * h[k]
	}
	return s.plan.Forward(nil, x)
}
