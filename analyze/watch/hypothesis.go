package watch

import (
	"math"
	"math/cmplx"
)

// Kind is what has happened.
type Kind string

// The kinds of events.
const (
	Restored     Kind = "as before"        // what was wrong is no longer
	Flipped      Kind = "flipped"          // a loudspeaker turned over
	Lost         Kind = "lost"             // a loudspeaker silent, or all of them
	LevelChanged Kind = "level changed"    // by ChangeDB
	BandLost     Kind = "band lost"        // nothing left from LowHz to HighHz
	BandChanged  Kind = "band changed"     // by ChangeDB from LowHz to HighHz
	Moved        Kind = "arrival moved"    // by ShiftMs
	Nudged       Kind = "microphone moved" // by some centimetres: arrivals shifted by up to ShiftMs
	Shaded       Kind = "in the way"       // something stands before the microphone
	NoiseRose    Kind = "noise rose"       // by ChangeDB
	InputLost    Kind = "input lost"       // the microphone delivers nothing
	InputBack    Kind = "input back"       // it does again

	warmed Kind = "air warmed" // is followed, and no event
)

// Change is one hypothesis: what would have happened, to what.
type Change struct {
	Kind     Kind
	What     string // the loudspeaker or arrival; empty for all of them
	LowHz    float64
	HighHz   float64
	ChangeDB float64
	ShiftMs  float64
}

// hypothesis is a Change with what it adds to the response in force, per bin.
type hypothesis struct {
	Change
	d        []complex128
	from, to int // d is zero outside these bins
}

// The grids of hypotheses. A change between two of them is found through the
// nearer one.
var (
	shiftsMs  = []float64{-2, -1, -0.5, -0.25, 0.25, 0.5, 1, 2}
	levelsDB  = []float64{-6, -3, 3, 6}
	bandsDB   = []float64{-6, 6}
	tweeterHz = []float64{1000, 2000, 4000} // a high-frequency driver may begin here
)

const wooferHz = 250 // a low-frequency driver may end here

// hypotheses spells out everything that is looked for, against the response h
// that is the sum of parts (and a rest that nothing is known of).
func hypotheses(b *Baseline, h []complex128, parts [][]complex128) []hypothesis {
	var list []hypothesis
	add := func(c Change, from, to int, of []complex128, by func(k int) complex128) {
		if from >= to {
			return
		}
		d := make([]complex128, len(of))
		for k := from; k < to; k++ {
			d[k] = of[k] * by(k)
		}
		list = append(list, hypothesis{Change: c, d: d, from: from, to: to})
	}
	constant := func(v float64) func(int) complex128 {
		return func(int) complex128 { return complex(v, 0) }
	}
	gain := func(db float64) func(int) complex128 { return constant(math.Pow(10, db/20) - 1) }

	// The cable of the microphone or of the reference, or all loudspeakers.
	all := Change{Kind: Flipped}
	if len(parts) == 1 {
		all.What = b.parts[0].name
	}
	add(all, b.low, b.high, h, constant(-2))
	for _, db := range levelsDB {
		add(Change{Kind: LevelChanged, ChangeDB: db}, b.low, b.high, h, gain(db))
	}
	for o := range b.octaves[:len(b.octaves)-1] {
		from, to := b.octaves[o], b.octaves[o+1]
		for _, db := range bandsDB {
			add(Change{Kind: BandChanged, LowHz: b.hz(from), HighHz: b.hz(to), ChangeDB: db}, from, to, h, gain(db))
		}
	}
	for i, p := range parts {
		name := b.parts[i].name
		add(Change{Kind: Flipped, What: name}, b.low, b.high, p, constant(-2))
		add(Change{Kind: Lost, What: name}, b.low, b.high, p, constant(-1))
		for _, db := range levelsDB {
			if len(parts) > 1 {
				add(Change{Kind: LevelChanged, What: name, ChangeDB: db}, b.low, b.high, p, gain(db))
			}
		}
		for _, ms := range shiftsMs {
			add(Change{Kind: Moved, What: name, ShiftMs: ms}, b.low, b.high, p, func(k int) complex128 {
				return cmplx.Rect(1, -2*math.Pi*b.hz(k)*ms/1000) - 1
			})
		}
		for _, hz := range tweeterHz {
			add(Change{Kind: BandLost, What: name, LowHz: hz, HighHz: b.hz(b.high)}, b.bin(hz), b.high, p, constant(-1))
		}
		add(Change{Kind: BandLost, What: name, LowHz: b.hz(b.low), HighHz: wooferHz}, b.low, b.bin(wooferHz), p, constant(-1))
	}
	return list
}
