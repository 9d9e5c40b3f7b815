package linearity

import "math"

// An input is what one kind of gain takes away from the reference, for one unit of
// strength: x·φ, φ ≥ 0 going with the level.
type input struct {
	kind              Kind
	attackS, releaseS float64 // of the level; 0: the sample's own magnitude
	belowDB           float64 // where it begins, below the largest level
}

// Kind is how fast the gain goes with the level.
type Kind int

// The kinds.
const (
	Clipping Kind = iota + 1 // sample by sample
	Fast                     // within a period or few
	Slow                     // over notes and syllables
)

// softly stands for a stage that bends before it clips, x·tanh(u)/u at u = 1 where
// belowDB says.
const softly = -1

// inputs are few that are unlike: a gain that begins elsewhere, or is faster or
// slower, lacks enough of the nearest.
var inputs = [...]input{
	{Clipping, 0, 0, 5},
	{Clipping, 0, 0, 9},
	{Clipping, softly, softly, 8},
	{Fast, 0.001, 0.06, 12},
	{Slow, 0.005, 0.2, 10},
	{Slow, 0.005, 0.2, 30},
}

// every samples of a level one logarithm is taken.
const every = 8

// take fills v with what is taken away from the last len(v) samples of ref, those in
// front of them being what the level has heard before.
func (in input) take(v, ref []float64, top, rateHz float64) {
	lead := len(ref) - len(v)
	begin := top * math.Pow(10, -in.belowDB/20)
	if in.attackS == softly {
		// tanh(u)/u within 5 % up to u = 1.5.
		for i, x := range ref[lead:] {
			u := x / begin
			u *= u
			v[i] = x * u / (3 + u)
		}
		return
	}
	if in.kind == Clipping {
		for i, x := range ref[lead:] {
			switch {
			case x > begin:
				v[i] = x - begin
			case x < -begin:
				v[i] = x + begin
			default:
				v[i] = 0
			}
		}
		return
	}
	up, down := 1-math.Exp(-1/(in.attackS*rateHz)), 1-math.Exp(-1/(in.releaseS*rateHz))
	level, phi := 0.0, 0.0
	for i, x := range ref {
		a := math.Abs(x)
		if a > level {
			level += up * (a - level)
		} else {
			level += down * (a - level)
		}
		if i < lead {
			continue
		}
		if (i-lead)%every == 0 {
			phi = 0
			if level > begin {
				phi = math.Log(level / begin)
			}
		}
		v[i-lead] = x * phi
	}
}
