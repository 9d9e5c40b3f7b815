package summation

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/analyze/response"
	"plumbline/analyze/statistics"
)

// Band is a range of frequencies; the zero value means "find it".
type Band struct{ LowHz, HighHz float64 }

func (b Band) zero() bool { return b == Band{} }

// Octaves is the width of the band.
func (b Band) Octaves() float64 { return math.Log2(b.HighHz / b.LowHz) }

func (b Band) contains(frequencyHz float64) bool {
	return frequencyHz >= b.LowHz*(1-1e-9) && frequencyHz <= b.HighHz*(1+1e-9)
}

// Check says what is wrong with a band set by hand.
func (b Band) Check() error {
	if b.zero() {
		return nil
	}
	if !(b.LowHz > 0) || !(b.HighHz > b.LowHz) || math.IsInf(b.HighHz, 0) {
		return fmt.Errorf("band %g:%g Hz: give LOW:HIGH with 0 < LOW < HIGH", b.LowHz, b.HighHz)
	}
	return nil
}

// Pair is what is known of two loudspeakers at one seat: their responses at the
// trusted points of a band, on one time axis. Slices have equal length.
type Pair struct {
	Band        Band
	FrequencyHz []float64
	A, B        []complex128 // re the reference after A's compensation; B's own compensation is put back
	Weight      []float64    // width of the point in log frequency, sums to 1
	a, b        noise
	width       []float64         // of the point in ln f, by the grid it comes from
	laterS      float64           // B's compensation less A's
	of          *response.Spectra // A's
	near        *neighbours       // of the random errors; nil until asked for
}

// NewPair takes the points of both spectra that are trusted and lie in the band.
// A zero band is found by Overlap.
func NewPair(a, b *response.Spectra, band Band) (*Pair, error) {
	if err := Compatible(a, b); err != nil {
		return nil, err
	}
	if err := band.Check(); err != nil {
		return nil, err
	}
	if band.zero() {
		var err error
		if band, err = Overlap(DefaultMaxDifferenceDB, [2]*response.Spectra{a, b}); err != nil {
			return nil, err
		}
	}
	p := &Pair{Band: band}
	if err := p.take(a, b); err != nil {
		return nil, err
	}
	return p, nil
}

// take fills the pair from the points where a and b are trusted.
func (p *Pair) take(a, b *response.Spectra) error {
	p.of, p.laterS = a, b.DelayS-a.DelayS
	from, _ := slices.BinarySearch(a.FrequencyHz, p.Band.LowHz/2)
	points := 0
	for k := from; k < len(a.FrequencyHz) && a.FrequencyHz[k] < 2*p.Band.HighHz; k++ {
		points++
	}
	for _, x := range []*[]float64{&p.FrequencyHz, &p.width, &p.a.variance, &p.b.variance} {
		*x = make([]float64, 0, points)
	}
	for _, x := range []*[]complex128{&p.A, &p.B, &p.b.turn} {
		*x = make([]complex128, 0, points)
	}
	sum := 0.0
	var trustA, trustB trust
	turn := turner{tau: -p.laterS}
	for k := from; k < from+points; k++ {
		f := a.FrequencyHz[k]
		if f <= 0 || !p.Band.contains(f) || !trustA.at(a, k) || !trustB.at(b, k) {
			continue
		}
		turn.to(f)
		p.FrequencyHz = append(p.FrequencyHz, f)
		p.A = append(p.A, transfer(a, k))
		p.B = append(p.B, transfer(b, k)*turn.z)
		p.b.turn = append(p.b.turn, turn.z)
		w := spacing(a.FrequencyHz, k) / f
		p.width = append(p.width, w)
		sum += w
		p.a.add(a, k)
		p.b.add(b, k)
	}
	if len(p.FrequencyHz) < 3 {
		return fmt.Errorf("nothing is trusted in %s: play louder or longer, or set another band", p.Band)
	}
	p.Weight = make([]float64, len(p.width))
	for k, w := range p.width {
		p.Weight[k] = w / sum
	}
	return nil
}

// covers says whether both, unless nil, was measured at all of the pair's points.
func (p *Pair) covers(both *response.Spectra) error {
	if both == nil {
		return nil
	}
	i := 0
	for k, f := range both.FrequencyHz {
		if i < len(p.FrequencyHz) && f == p.FrequencyHz[i] {
			if both.Gxx[k] <= 0 || both.EffectiveAverages[k] <= 1 {
				return fmt.Errorf("the take of both has no reference at %s: play the same programme longer", hertz(f))
			}
			i++
		}
	}
	return nil
}

// maxCellsPerOctave resolves a reflection 11 ms late at 16 kHz.
const maxCellsPerOctave = 192

// Cells picks the points nearest to frequencies equally spaced in log
// frequency over the band: 192 an octave, or as many as the grid has in the
// band's top octave. A point nearest to several is picked as often, so that a
// plain mean over the cells is a mean over log frequency; a cell without a
// trusted point of its own is left out. In a band narrower than a cell all points
// are picked.
func (p *Pair) Cells() []int {
	f := p.FrequencyHz
	perOctave := min(maxCellsPerOctave, math.Ln2/p.width[len(f)-1])
	cells := make([]int, 0, int(p.Band.Octaves()*perOctave)+1)
	k := 0
	for i := 0; ; i++ {
		cell := p.Band.LowHz * math.Exp2((float64(i)+0.5)/perOctave)
		if cell > p.Band.HighHz {
			break
		}
		for k+1 < len(f) && f[k]*f[k+1] < cell*cell {
			k++
		}
		if math.Abs(math.Log(cell/f[k])) <= 0.51*p.width[k]+0.5*math.Ln2/perOctave {
			cells = append(cells, k)
		}
	}
	if len(cells) == 0 {
		for k := range f {
			cells = append(cells, k)
		}
	}
	return cells
}

func (b Band) String() string {
	return fmt.Sprintf("%s to %s", hertz(b.LowHz), hertz(b.HighHz))
}

// Compatible says why spectra cannot be compared point by point, or nil.
func Compatible(spectra ...*response.Spectra) error {
	for _, s := range spectra {
		if s == nil {
			return errors.New("a take is missing: measure it first")
		}
	}
	first := spectra[0]
	for _, s := range spectra[1:] {
		switch {
		case s.SampleRateHz != first.SampleRateHz:
			return fmt.Errorf("takes at %g and %g Hz: measure them at one sample rate", first.SampleRateHz, s.SampleRateHz)
		case s.Window != first.Window:
			return fmt.Errorf("takes with windows %s and %s: analyze them with one window", windowName(first.Window), windowName(s.Window))
		case len(s.FrequencyHz) != len(first.FrequencyHz):
			return fmt.Errorf("takes with %d and %d frequencies: analyze them on one grid", len(first.FrequencyHz), len(s.FrequencyHz))
		}
		for k, f := range s.FrequencyHz {
			if f != first.FrequencyHz[k] {
				return fmt.Errorf("takes on different frequencies (%g and %g Hz): analyze them on one grid", first.FrequencyHz[k], f)
			}
		}
	}
	return nil
}

func windowName(n int) string {
	if n == 0 {
		return "multi"
	}
	return fmt.Sprint(n)
}

// DefaultMaxDifferenceDB is how far two loudspeakers may be apart and still count as overlapping.
const DefaultMaxDifferenceDB = 10

// The range that a band is looked for in, and the gap that does not end it.
const lowestHz, highestHz, bridge = 20, 20000, 1.2599

// Overlap finds the band in which both loudspeakers of every pair are heard: the
// widest in octaves where, over a third of an octave and on the mean of the
// pairs, at least half of the points are trusted for both and the levels lie
// within maxDifferenceDB of each other. A gap of up to a third of an octave, as a
// notch makes it, does not end the band. It lies within 20 Hz…20 kHz.
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
	apartDB := make([][]float64, len(pairs))
	each(len(pairs), func(i int) { apartDB[i] = differences(pairs[i][0], pairs[i][1]) })
	var best, run Band // run.HighHz is 0 before the first
	closest := math.Inf(1)
	for k, f := range frequency {
		apart := math.Inf(1)
		sum, heard := 0.0, 0
		for _, db := range apartDB {
			if !math.IsNaN(db[k]) {
				sum += db[k]
				heard++
			}
		}
		if f >= lowestHz && f <= highestHz && 2*heard >= len(pairs) && heard > 0 {
			apart = math.Abs(sum) / float64(heard)
		}
		closest = min(closest, apart)
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
	switch {
	case math.IsInf(closest, 1):
		return Band{}, errors.New("no frequency at which both loudspeakers are trusted: play louder or longer")
	case best.zero():
		return Band{}, fmt.Errorf("no overlap: the loudspeakers are never closer than %.1f dB; bring their levels together or set the band by hand", closest)
	}
	return best, nil
}

// differences are the levels of A re B, dB, each over a third of an octave around
// the point; NaN where less than half of it is trusted.
func differences(a, b *response.Spectra) []float64 {
	f := a.FrequencyHz
	db := make([]float64, len(f))
	half := math.Pow(2, 1.0/6)
	var pa, pb, good, all float64
	var trustA, trustB trust
	type part struct{ w, good, pa, pb float64 }
	came := make([]part, 0, len(f)) // in, to go out again
	lo := 0
	for k := range f {
		for hi := len(came); hi < len(f) && f[hi] <= f[k]*half; hi++ {
			var in part
			if f[hi] > 0 {
				in.w = spacing(f, hi) / f[hi]
				if trustA.at(a, hi) && trustB.at(b, hi) {
					in.good, in.pa, in.pb = in.w, in.w*power(transfer(a, hi)), in.w*power(transfer(b, hi))
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

// rounding is the response below which a silent microphone is heard through
// the rounding of the transform that it shares with the reference: −240 dB.
const rounding = 1e-24

// trust says where coherence exceeds what unrelated channels reach in 1 % of
// cases. It keeps the last threshold: under one window all points have as many
// averages.
type trust struct{ averages, threshold float64 }

func (t *trust) at(s *response.Spectra, k int) bool {
	if n := s.EffectiveAverages[k]; n != t.averages {
		t.averages, t.threshold = n, statistics.CoherenceThreshold(n, response.FalseTrust)
	}
	energy := s.Gxx[k] * s.Gyy[k]
	return t.averages > 1 && energy > 0 && s.Gyy[k] > rounding*s.Gxx[k] && power(s.Gxy[k]) > energy*t.threshold
}

// transfer is H1 (Bendat and Piersol, Random Data, 4th ed., ch. 6).
func transfer(s *response.Spectra, k int) complex128 {
	return s.Gxy[k] / complex(s.Gxx[k], 0)
}

// spacing is the width of the frequency axis that point k stands for.
func spacing(f []float64, k int) float64 {
	switch last := len(f) - 1; k {
	case 0:
		return f[1] - f[0]
	case last:
		return f[last] - f[last-1]
	default:
		return (f[k+1] - f[k-1]) / 2
	}
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func hertz(f float64) string {
	if f >= 995 {
		return fmt.Sprintf("%.3g kHz", f/1000)
	}
	return fmt.Sprintf("%.3g Hz", f)
}
