package response

import (
	"fmt"
	"math"
)

// MaxReferences is how many references one Joint takes.
const MaxReferences = 8

// Joint averages the spectra of several references and one microphone, and tells the
// path of each reference by itself while all of them play: see conditioned.go.
//
//	x₁ ─later by its delay─► window ──FFT──► X₁ ─┐
//	x₂ ─later by its delay─► window ──FFT──► X₂ ─┼─► <Xi*·Xj>, <Xi*·Y>, <|Y|²> ─► Spectra of each path
//	y  ────────────────────► window ──FFT──► Y  ─┘
//
// Each reference is delayed to its own arrival at the microphone before it enters:
// a path whose sound comes late in a window is measured too weak, and what is missing
// of it goes to the others (Bendat and Piersol, ch. 9; Halvorsen and Bendat 1975).
//
// It conditions the sums of each bin, of the windows and of those that late sound is
// judged with alike, and has an Estimator make of them what it makes of one reference:
// grid, late sound, averages and intervals are the same.
//
// Every segment counts but those in which no reference plays; averaging is plain. Not
// for two goroutines at once.
type Joint struct {
	references int
	paths      *Estimator // its track 0 is the microphone, its microphones are the paths and, last, all of them
	bands      []*jointBand
	matrix     *spectral
	told       []bool // of each path, and all: its cells are up to date
}

// jointBand are the sums of one band of the Estimator.
type jointBand struct {
	band    *band
	offset  []int64        // of each reference's segment: by how much it starts before the microphone's
	lines   bool           // of those that late sound is judged with
	next    int64          // where the microphone's next segment starts
	sums    [][]complex128 // upper triangle of the matrix, row by row, over bins
	squares [][]float64    // of each reference: Σ|X|⁴ of each bin; nil where nobody asks
	energy  [][]float64    // of each reference: sum of its energy over each group
	groups  []group
	weight  float64
	spectra [][]complex128 // of the segment: references, microphone
	parts   [][]float64    // its samples
	now     [][]float64    // energy of the segment
}

// NewJoint checks cfg, whose averaging is taken to be Infinite, and plans the
// transforms for so many references, 1…MaxReferences, and cfg.Microphones 1.
func NewJoint(cfg Config, references int) (*Joint, error) {
	if references < 1 || references > MaxReferences {
		return nil, fmt.Errorf("%d references are not within 1…%d", references, MaxReferences)
	}
	if cfg.Microphones > 1 {
		return nil, fmt.Errorf("%d microphones: one at a time", cfg.Microphones)
	}
	cfg.Microphones, cfg.Averaging, cfg.LookBackS = references+1, Averaging{Mode: Infinite}, 0
	e, err := NewEstimator(cfg)
	if err != nil {
		return nil, err
	}
	j := &Joint{references: references, paths: e, matrix: newSpectral(references), told: make([]bool, references+1)}
	for _, b := range e.all {
		j.bands = append(j.bands, newJointBand(b, references))
	}
	for i := len(e.bands); i < len(j.bands); i++ {
		j.bands[i].lines = true
	}
	return j, nil
}

func newJointBand(b *band, references int) *jointBand {
	n := b.high - b.low
	t := &jointBand{
		band: b, next: b.settle(), groups: make([]group, len(b.groups)-1),
		parts: make([][]float64, references+1), offset: make([]int64, references),
	}
	for range (references + 1) * (references + 2) / 2 {
		t.sums = append(t.sums, make([]complex128, n))
	}
	for range references + 1 {
		t.spectra = append(t.spectra, make([]complex128, n))
	}
	for range references {
		t.energy = append(t.energy, make([]float64, len(t.groups)))
		t.now = append(t.now, make([]float64, len(t.groups)))
		if b.mics[0].squares != nil {
			t.squares = append(t.squares, make([]float64, n))
		}
	}
	return t
}

// FrequencyHz is the grid, as Estimator.FrequencyHz; not to be changed.
func (j *Joint) FrequencyHz() []float64 { return j.paths.FrequencyHz() }

// SetDelay says by how much the microphone hears reference p (from 0) later;
// MinDelayS…MaxDelayS. It is to be set before anything is fed.
func (j *Joint) SetDelay(p int, seconds float64) error {
	if p < 0 || p >= j.references {
		return fmt.Errorf("no reference %d of %d", p, j.references)
	}
	if err := j.paths.SetDelay(p, seconds); err != nil {
		return err
	}
	for _, t := range j.bands {
		t.align()
	}
	return nil
}

// align says where the segments of the references start. In the windows that the points
// rest on, each is aligned to its own arrival, as one reference is. In the long ones for
// lines they stay together, at the mean of their arrivals: references that are alike,
// moved apart, differ where windows end; so does late sound from what explains it; and
// both by the same samples, which the estimate would take for the path of whichever
// reference has little of its own. What a delay loses in so long a window is little, and
// known.
func (t *jointBand) align() {
	copy(t.offset, t.band.offset)
	if !t.lines {
		return
	}
	mean := int64(0)
	for _, o := range t.offset {
		mean += o
	}
	mean /= int64(len(t.offset))
	for p := range t.offset {
		t.offset[p] = mean
	}
}

// aligned is a cell of path p at line k as if its reference had been aligned to its
// arrival: of a sound by a part x of a Hann window late, what is left of it is
// (1−x)(2+cos 2πx)/3 + sin(2πx)/2π (Seybert and Hamilton, J. Sound Vib. 60(1), 1978).
func (t *jointBand) aligned(c cell, p, k int) cell {
	shift := t.band.offset[p] - t.offset[p]
	if shift == 0 {
		return c
	}
	x := min(math.Abs(float64(shift))/float64(t.band.size), mostShift)
	left := (1-x)*(2+math.Cos(2*math.Pi*x))/3 + math.Sin(2*math.Pi*x)/(2*math.Pi)
	sin, cos := math.Sincos(2 * math.Pi * float64(t.band.low+k) * float64(shift) / float64(t.band.size))
	c.re, c.im = (c.re*cos-c.im*sin)/left, (c.re*sin+c.im*cos)/left
	return c
}

// mostShift of a window is corrected for; references further apart are too weak.
const mostShift = 0.25

// SetPeriod is Estimator.SetPeriod, for all references.
func (j *Joint) SetPeriod(seconds float64) error {
	clear(j.told)
	return j.paths.SetPeriod(seconds)
}

// Feed takes the next samples of the references and the microphone, of equal length.
// It panics when they are not.
func (j *Joint) Feed(refs [][]float64, mic []float64) {
	if len(refs) != j.references {
		panic(fmt.Sprintf("response: %d references fed to a joint estimate of %d", len(refs), j.references))
	}
	for _, x := range refs {
		if len(x) != len(mic) {
			panic(fmt.Sprintf("response: %d samples of a reference and %d of the microphone", len(x), len(mic)))
		}
	}
	for from := 0; from < len(mic); from += feedBlock {
		to := min(from+feedBlock, len(mic))
		j.paths.push(0, mic[from:to])
		for p := range refs {
			j.paths.push(p+1, refs[p][from:to])
		}
		for _, t := range j.bands {
			t.run(j.references)
		}
	}
	clear(j.told)
}

// Break says that the next samples do not follow on the last ones.
func (j *Joint) Break() {
	j.paths.Break()
	for _, t := range j.bands {
		t.next = t.band.ceil(t.band.settled(t.band.tracks[0].end()))
	}
}

// run averages every segment that is whole.
func (t *jointBand) run(references int) {
	b := t.band
	size, end := int64(b.size), b.tracks[0].end()
	earliest, latest := int64(0), int64(0) // of the references' segments, re the microphone's
	for p := range references {
		earliest, latest = min(earliest, -t.offset[p]), max(latest, -t.offset[p])
	}
	for ; t.next+latest+size <= end; t.next += int64(b.hop) {
		t.parts[references] = b.tracks[0].at(t.next, b.size)
		whole := t.parts[references] != nil
		for p := range references {
			t.parts[p] = b.tracks[p+1].at(t.next-t.offset[p], b.size)
			whole = whole && t.parts[p] != nil
		}
		if whole {
			t.average(references)
		}
	}
	for c := range references + 2 { // the last is nobody's
		b.hold(c, t.next+earliest)
	}
}

// average takes in the segment that parts holds.
func (t *jointBand) average(references int) {
	b := t.band
	for c := 0; c <= references; c += 2 {
		if c == references {
			b.transform(t.spectra[c], b.ya, t.parts[c], nil)
		} else {
			b.transform(t.spectra[c], t.spectra[c+1], t.parts[c], t.parts[c+1])
		}
	}
	t.weight++
	for g := range t.groups {
		from, to := b.groups[g], b.groups[g+1]
		s := &t.groups[g]
		if !t.plays(g, s, references) {
			s.taken <<= 1
			continue
		}
		b.count(s, 1)
		for p := range references {
			t.energy[p][g] += t.now[p][g]
			if t.squares != nil {
				x, squares := t.spectra[p][from:to], t.squares[p][from:to]
				for i, v := range x {
					square := power(v)
					squares[i] += square * square
				}
			}
		}
		k := 0
		for i := range t.spectra {
			for j := i; j < len(t.spectra); j++ {
				product(t.sums[k][from:to], t.spectra[i][from:to], t.spectra[j][from:to])
				k++
			}
		}
	}
}

// product adds conj(x)·y to sum.
func product(sum, x, y []complex128) {
	x, y = x[:len(sum)], y[:len(sum)]
	for i := range sum {
		xr, xi, yr, yi := real(x[i]), imag(x[i]), real(y[i]), imag(y[i])
		sum[i] += complex(xr*yr+xi*yi, xr*yi-xi*yr)
	}
}

// plays says whether any reference plays in group g of the segment, as far as that is
// asked, and sets what energy each has there.
func (t *jointBand) plays(g int, s *group, references int) bool {
	b := t.band
	from, to := b.groups[g], b.groups[g+1]
	any := b.cfg.EverySegment
	for p := range references {
		sum := 0.0
		for _, v := range t.spectra[p][from:to] {
			sum += power(v)
		}
		e := sum / float64(to-from)
		t.now[p][g] = e
		silent := e*b.density <= rounding*2/b.cfg.SampleRateHz || e*s.weight < quiet*t.energy[p][g]
		any = any || !silent
	}
	return any
}

// Spectra fills dst with those of the path of reference p (from 0), conditioned on
// the others: Gxx is what that reference has of its own, Coherence the partial
// coherence, and the averages those that the others leave. A point at which the others
// make up all of the reference is unknown.
func (j *Joint) Spectra(p int, dst *Spectra) {
	if !j.told[p] {
		for _, t := range j.bands {
			t.condition(j.matrix, p, j.references)
		}
		j.told[p] = true
	}
	j.paths.Spectra(p, dst)
}

// Multiple fills dst with the multiple coherence, 0…1, at each frequency: how much of
// the microphone all references together explain. NaN where nothing is known.
func (j *Joint) Multiple(dst []float64) []float64 {
	var s Spectra
	j.Spectra(j.references, &s)
	dst = resize(dst, len(s.FrequencyHz))
	for k := range dst {
		if dst[k] = s.Coherence(k); !s.Known(k) {
			dst[k] = math.NaN()
		}
	}
	return dst
}

// condition sets the cells of path p, or of all together when there is no such
// reference, to what one reference would have.
func (t *jointBand) condition(m *spectral, p, references int) {
	a := &t.band.mics[p]
	a.changed, a.weight = true, t.weight
	for g := range t.groups {
		from, to := t.band.groups[g], t.band.groups[g+1]
		s := &t.groups[g]
		most := 0
		for k := from; k < to; k++ {
			m.load(t.sums, k)
			c, taken := cell{}, 0
			if p == references {
				c, taken = m.all()
				taken = max(0, taken-1) // one is what a coherence costs in any case
			} else {
				c, taken = m.path(p)
				c = t.aligned(c, p, k)
			}
			a.cells[k] = c
			most = max(most, taken)
			if a.squares != nil {
				if a.squares[k] = c.xx * c.xx; p < references && m.power[p] > 0 { // as unsteady as the reference
					a.squares[k] = t.squares[p][k] * (c.xx / m.power[p]) * (c.xx / m.power[p])
				}
			}
		}
		n := s.averages()
		left := n - float64(most)
		a.groups[g] = group{}
		if !(left > 0) {
			continue
		}
		part := left / n
		w := part * s.weight
		a.groups[g] = group{weight: w, variance: w * w / left}
		if a.squares != nil { // sparse by as much, at fewer averages
			for k := from; k < to; k++ {
				a.squares[k] /= part
			}
		}
	}
}

// Own is the part, 0…1, of the power of reference p at each frequency that the others do
// not explain; NaN where it does not play. together is that of the references as they are,
// told with the longest windows there are, aligned that in the windows of the points, with
// each reference at its own arrival. Both reuse the memory of dst.
func (j *Joint) Own(p int, together, aligned []float64) (t, a []float64) {
	e := j.paths
	n := len(e.frequencyHz)
	together, aligned = resize(together, n), resize(aligned, n)
	bins, lines := make([]shares, len(e.bands)), make([]shares, len(e.bands))
	for i := range e.bands {
		bins[i] = j.bands[i].own(j.matrix, p)
		for _, long := range j.bands[len(e.bands):] {
			if l := e.lates[i]; l != nil && long.band == l.band {
				lines[i] = long.own(j.matrix, p)
			}
		}
	}
	one := []float64{1}
	for k := range n {
		var fine, coarse [2]float64 // own, whole
		add := func(band, late int, weights []float64, first int, share float64) {
			bins[band].add(&coarse, weights, first, share)
			switch l := e.lates[band]; {
			case l == nil:
				bins[band].add(&fine, weights, first, share)
			case l.points[late].u != nil:
				lines[band].add(&fine, l.points[late].u, l.points[late].first, share)
			}
		}
		if e.grid == nil {
			add(0, k, one, k, 1)
		} else {
			for side := range e.grid.points[k].parts {
				if q := &e.grid.points[k].parts[side]; q.share > 0 {
					add(q.band, q.late, q.bins, q.first, q.share)
				}
			}
		}
		together[k], aligned[k] = min(1, fine[0]/fine[1]), min(1, coarse[0]/coarse[1]) // NaN of nothing
	}
	return together, aligned
}

// shares are the power of a reference in each bin, of its own and as a whole.
type shares struct{ own, whole []float64 }

// add adds so many bins to the sums of both.
func (s *shares) add(sum *[2]float64, weights []float64, first int, share float64) {
	for i, w := range weights {
		sum[0] += share * w * s.own[first+i]
		sum[1] += share * w * s.whole[first+i]
	}
}

// own is the power of reference p in each bin, of its own and as a whole: densities.
// Of n averages each of the others takes one away from what is its own.
func (t *jointBand) own(m *spectral, p int) shares {
	n := t.band.high - t.band.low
	own, whole := make([]float64, n), make([]float64, n)
	for g := range t.groups {
		s := &t.groups[g]
		if s.weight == 0 {
			continue
		}
		scale := t.band.density / s.weight
		for k := t.band.groups[g]; k < t.band.groups[g+1]; k++ {
			m.load(t.sums, k)
			c, taken := m.path(p)
			whole[k] = scale * m.power[p]
			if left := s.averages() - float64(taken); left > 0 {
				own[k] = scale * c.xx * s.averages() / left
			} else {
				own[k] = 0
			}
		}
	}
	return shares{own, whole}
}

// Predict sets dst[r][k] to the responses of the other references at each frequency of a
// fixed window that together predict best what reference p is, or, with the microphone
// asked for, what it hears; where they make each other up, one of them has it all. dst[p]
// is 0. It panics on the multi-resolution grid.
func (j *Joint) Predict(dst [][]complex128, p int, microphone bool) {
	if j.paths.grid != nil {
		panic("response: a prediction wants a fixed window")
	}
	target := p
	if microphone {
		target = j.references
	}
	h := make([]complex128, j.references)
	for k := range j.paths.frequencyHz {
		j.matrix.load(j.bands[0].sums, k)
		j.matrix.predict(h, p, target)
		for r, v := range h {
			dst[r][k] = v
		}
	}
}
