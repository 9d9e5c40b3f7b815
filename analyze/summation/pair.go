package summation

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/analyze/response"
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

// take fills the pair from the points where a and b are trusted, each by its surroundings.
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
	trustA, trustB := heard(a), heard(b)
	turn := turner{tau: -p.laterS}
	for k := from; k < from+points; k++ {
		f := a.FrequencyHz[k]
		if f <= 0 || !p.Band.contains(f) || !trustA[k] || !trustB[k] {
			continue
		}
		turn.to(f)
		p.FrequencyHz = append(p.FrequencyHz, f)
		p.A = append(p.A, a.H(k))
		p.B = append(p.B, b.H(k)*turn.z)
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

// rounding is the response below which a silent microphone is heard through
// the rounding of the transform that it shares with the reference: −240 dB.
const rounding = 1e-24

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
