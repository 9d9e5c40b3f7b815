package stationarity

import "math"

// Point is how the path of one stretch differs from that of the whole.
type Point struct {
	AtS                float64 // when its sound was
	OffsetS, OffsetSDS float64 // later; NaN where nothing is known
	HighHz             float64 // up to there it is in step with the whole; 0 where nothing is known
	GainDB, GainSDDB   float64 // louder
}

const (
	// passes over all stretches, each against all others at the offsets of the pass
	// before; no more where these are moved by less than settled, s: a tenth of what is
	// harmless.
	passes  = 2
	settled = harmlessS / 10
)

// mostSDS is the error from which on an offset tells nothing.
const mostSDS = 100e-6

// Track compares the stretches: first each with those before it, so that it may
// go anywhere in small steps, then each with all others.
func (s *Stretches) Track() []Point {
	points := make([]Point, len(s.list))
	a := newAligner(s)
	for i := range s.list {
		a.add(&s.list[i], 0)
	}
	a.measureNoise(s.list, nil)
	a.clear()
	in := make([]bool, len(s.list))
	offsets := make([]float64, len(s.list))
	guess := 0.0
	for i := range s.list {
		e := &s.list[i]
		if a.all.n == 0 {
			a.add(e, 0)
			in[i] = true
			continue
		}
		a.compare(e)
		if f := a.align(guess); f.ok && f.offsetSDS < mostSDS {
			guess = f.offsetS
			in[i] = true
			a.add(e, guess)
		} else if i < 4 { // nothing to compare with yet
			in[i] = true
			a.add(e, guess)
		}
		offsets[i] = guess
	}
	var results []found
	for range passes {
		a.measureNoise(s.list, in)
		results = results[:0]
		next := make([]float64, len(s.list))
		taken := make([]bool, len(s.list))
		still := true
		for i := range s.list {
			if in[i] {
				a.compareLess(&s.list[i], offsets[i])
			} else {
				a.compare(&s.list[i])
			}
			f := a.align(offsets[i])
			f.ok = f.ok && f.offsetSDS < mostSDS
			results = append(results, f)
			next[i], taken[i] = offsets[i], f.ok
			if f.ok {
				next[i] = f.offsetS
			}
			still = still && taken[i] == in[i] && math.Abs(next[i]-offsets[i]) < settled
		}
		offsets, in = next, taken
		if still {
			break
		}
		a.clear()
		for i := range s.list {
			if in[i] {
				a.add(&s.list[i], offsets[i])
			}
		}
	}
	for i, f := range results {
		p := &points[i]
		*p = Point{AtS: s.list[i].atS, OffsetS: math.NaN(), OffsetSDS: math.NaN(), GainDB: math.NaN(), GainSDDB: math.NaN()}
		if f.ok {
			p.OffsetS, p.OffsetSDS, p.HighHz = f.offsetS, f.offsetSDS, f.highHz
		}
	}
	a.direct()
	for i, f := range results {
		if !f.ok {
			continue
		}
		if gain, sd := a.gain(&s.list[i], offsets[i]); gain > 2*sd {
			points[i].GainDB, points[i].GainSDDB = 20*math.Log10(gain), 20/math.Ln10*sd/gain
		}
	}
	return points
}
