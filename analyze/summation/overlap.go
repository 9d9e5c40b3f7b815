package summation

import (
	"errors"
	"fmt"
	"math"

	"plumbline/analyze/response"
)

// A gap of up to this, a third of an octave, does not end a band.
const bridge = 1.2599

// NoOverlapError says that two loudspeakers have no band in common. A and B are
// what each plays as far as it is heard, zero for nothing.
type NoOverlapError struct {
	A, B      Band
	ClosestDB float64 // how near their levels ever come; +Inf where they share no frequency
}

// Error implements error.
func (e *NoOverlapError) Error() string { return e.Words("A", "B") }

// Words is Error with the loudspeakers' names.
func (e *NoOverlapError) Words(a, b string) string {
	for _, side := range []struct {
		band Band
		name string
	}{{e.A, a}, {e.B, b}} {
		if side.band.zero() {
			return fmt.Sprintf("nothing of %s is trusted: play louder or longer", side.name)
		}
	}
	what := fmt.Sprintf("%s plays %s and %s %s", a, e.A, b, e.B)
	if math.IsInf(e.ClosestDB, 1) {
		return fmt.Sprintf("they share no band (%s): nothing to align", what)
	}
	return fmt.Sprintf("they share no band: they are never closer than %.1f dB (%s); bring their levels together or set the band by hand", e.ClosestDB, what)
}

// Overlap finds the band in which both loudspeakers of every pair play: the
// widest in octaves where, on the mean of the pairs, both play
// (response.Spectra.Plays), at least half of the points of a third of an octave are
// trusted for both, and the levels lie within maxDifferenceDB of each other, over
// a third of an octave and over a whole one, for a notch of the room that brings
// a loud one down to a faint one is no overlap. A gap of up to a third of an
// octave, as a notch makes it, does not end the band. Without one the error is a
// *NoOverlapError.
func Overlap(maxDifferenceDB float64, pairs ...[2]*response.Spectra) (Band, error) {
	return OverlapOf(pairs, maxDifferenceDB, func(n int, do func(i int)) {
		for i := range n {
			do(i)
		}
	})
}

// OverlapOf is Overlap with the pairs looked at by each, which calls do with
// 0 … n−1, on as many goroutines as it likes, and returns when all are done.
func OverlapOf(pairs [][2]*response.Spectra, maxDifferenceDB float64, each func(n int, do func(i int))) (Band, error) {
	if len(pairs) == 0 {
		return Band{}, errors.New("no pair of takes: give at least one")
	}
	for _, pair := range pairs {
		if err := Compatible(pairs[0][0], pair[0], pair[1]); err != nil {
			return Band{}, err
		}
	}
	frequency := pairs[0][0].FrequencyHz
	shared := make([]shares, len(pairs))
	each(len(pairs), func(i int) { shared[i] = newShares(pairs[i][0], pairs[i][1]) })
	var best, run Band // run.HighHz is 0 before the first
	none := &NoOverlapError{ClosestDB: math.Inf(1)}
	for _, s := range shared {
		none.A, none.B = none.A.hull(s.playsA), none.B.hull(s.playsB)
	}
	for k, f := range frequency {
		apart := apartAt(shared, k)
		none.ClosestDB = min(none.ClosestDB, apart)
		if apart > maxDifferenceDB {
			continue
		}
		if f > run.HighHz*bridge {
			run.LowHz = f
		}
		run.HighHz = f
		if run.HighHz > run.LowHz && (best.zero() || run.Octaves() > best.Octaves()) {
			best = run
		}
	}
	if best.zero() {
		return Band{}, none
	}
	return best, nil
}

// hull is the band that holds both.
func (b Band) hull(c Band) Band {
	switch {
	case b.zero():
		return c
	case c.zero():
		return b
	}
	return Band{min(b.LowHz, c.LowHz), max(b.HighHz, c.HighHz)}
}

// shares is what two loudspeakers have in common at a seat: their levels apart in
// dB, over a third of an octave and over a whole one; NaN where one does not
// play or is not trusted.
type shares struct {
	playsA, playsB Band
	third, octave  []float64
}

func newShares(a, b *response.Spectra) (s shares) {
	s.third, s.octave = differences(a, b, 1.0/3), differences(a, b, 1)
	if low, high, ok := a.Plays(); ok {
		s.playsA = Band{low, high}
	}
	if low, high, ok := b.Plays(); ok {
		s.playsB = Band{low, high}
	}
	for k, f := range a.FrequencyHz {
		if !s.playsA.contains(f) || !s.playsB.contains(f) {
			s.third[k] = math.NaN()
		}
	}
	return s
}

// apartAt is how far apart the levels at point k are on the mean of the pairs, dB;
// +Inf where fewer than half of the pairs share it.
func apartAt(shared []shares, k int) float64 {
	var third, octave mean
	for _, s := range shared {
		if math.IsNaN(s.third[k]) {
			continue
		}
		third.add(s.third[k])
		if !math.IsNaN(s.octave[k]) {
			octave.add(s.octave[k])
		}
	}
	if third.n == 0 || 2*third.n < len(shared) {
		return math.Inf(1)
	}
	return max(math.Abs(third.of()), math.Abs(octave.of()))
}

type mean struct {
	sum float64
	n   int
}

func (m *mean) add(x float64) { m.sum += x; m.n++ }

func (m *mean) of() float64 { return m.sum / float64(max(m.n, 1)) }

// differences are the levels of A re B, dB, each over so many octaves around the
// point; NaN where less than half of that is trusted.
func differences(a, b *response.Spectra, octaves float64) []float64 {
	f := a.FrequencyHz
	db := make([]float64, len(f))
	half := math.Exp2(octaves / 2)
	var pa, pb, good, all float64
	trustA, trustB := heard(a), heard(b)
	type part struct{ w, good, pa, pb float64 }
	came := make([]part, 0, len(f)) // in, to go out again
	lo := 0
	for k := range f {
		for hi := len(came); hi < len(f) && f[hi] <= f[k]*half; hi++ {
			var in part
			if f[hi] > 0 {
				in.w = spacing(f, hi) / f[hi]
				if trustA[hi] && trustB[hi] {
					in.good, in.pa, in.pb = in.w, in.w*(power(a.H(hi))-a.Variance(hi)), in.w*(power(b.H(hi))-b.Variance(hi))
				}
			}
			came = append(came, in)
			all, good, pa, pb = all+in.w, good+in.good, pa+in.pa, pb+in.pb
		}
		for ; f[lo] < f[k]/half; lo++ {
			out := came[lo]
			all, good, pa, pb = all-out.w, good-out.good, pa-out.pa, pb-out.pb
		}
		db[k] = math.NaN()
		if f[k] > 0 && good >= 0.5*all && pa > 0 && pb > 0 {
			db[k] = 10 * math.Log10(pa/pb)
		}
	}
	return db
}
