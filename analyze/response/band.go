package response

import (
	"math"

	"github.com/mjibson/go-dsp/window"

	"plumbline/analyze/fft"
	"plumbline/analyze/statistics"
)

// band takes segments of one window length from all channels, transforms them
// and averages their spectra.
type band struct {
	cfg        *Config
	size, hop  int // samples of the band's own rate
	decimation int // of the input; a power of two
	rateHz     float64
	low, high  int // bins low ≤ k < high are kept
	window     []float64
	density    float64 // |X|² to one-sided full scale squared per hertz
	plan       *fft.Complex
	tracks     []track   // reference, microphones; those of twin, too
	held       []int64   // from where on each is needed here
	twin       *band     // nil for none
	hops       float64   // of those that Averaging.Count counts
	offset     []int64   // of each microphone's segment
	next       []int64   // of each microphone: where its next segment of the reference starts
	stop       int64     // from where on none counts
	lookBack   int64     // samples kept for restart, −1 for none
	past       []segment // of the reference, by start
	segment    *segment  // the one that is being averaged
	waiting    due       // a microphone's segment that looks for another to share a transform with
	silence    []float64
	ya, yb     []complex128
	groups     []int     // boundaries of groups of bins, from low
	rho        []float64 // statistics.Correlations
	whole      float64   // 1 + 2 Σ rho
	fading     float64   // of exponential averages, from hop to hop, for the time constant fadingS
	fadingS    float64
	mics       []averages
	letInS     []float64 // of each microphone, shared by all bands; see burst
}

// segment is the spectrum of one segment of the reference.
type segment struct {
	start  int64 // −1 for none
	x      []complex128
	power  []float64 // |X|²
	energy []float64 // mean of power over each group
}

// due is a microphone's segment that has been heard.
type due struct {
	mic     int // −1 for none
	of      *segment
	samples []float64
}

// apartS is how far apart the delays of two microphones may be for them to share
// the transforms of the reference.
const apartS = 0.25

func newBand(cfg *Config, size, hop, decimation, low, high int) *band {
	b := &band{
		cfg: cfg, size: size, decimation: decimation, low: low, high: high,
		hop:    hop,
		rateHz: cfg.SampleRateHz / float64(decimation),
		window: window.Hann(size + 1)[:size], // the periodic one
		plan:   fft.NewComplex(size),
		tracks: make([]track, cfg.Microphones+1),
		held:   make([]int64, cfg.Microphones+1),
		offset: make([]int64, cfg.Microphones),
		next:   make([]int64, cfg.Microphones),
		mics:   make([]averages, cfg.Microphones),
		letInS: make([]float64, cfg.Microphones),
		stop:   math.MaxInt64,
		whole:  1,
		hops:   1,

		waiting: due{mic: -1}, lookBack: -1,
	}
	if cfg.LookBackS > 0 {
		b.lookBack = int64(cfg.LookBackS * b.rateHz)
	}
	energy := 0.0
	for _, w := range b.window {
		energy += w * w
	}
	b.density = 2 / (b.rateHz * energy)
	b.rho = statistics.Correlations(b.window, b.hop)
	for _, r := range b.rho {
		b.whole += 2 * r
	}
	n := high - low
	b.ya, b.yb = make([]complex128, n), make([]complex128, n)
	b.silence = make([]float64, size)
	// Groups of a sixth of an octave, four bins at least: narrow enough to tell
	// a silent band, wide enough that noise never looks silent by chance.
	for k := 0; k < n; {
		b.groups = append(b.groups, k)
		k += max(4, (low+k)/8)
	}
	if g := len(b.groups); g > 1 && n-b.groups[g-1] < 4 {
		b.groups = b.groups[:g-1]
	}
	groups := len(b.groups)
	b.groups = append(b.groups, n)
	b.past = make([]segment, 1)
	if cfg.Microphones > 1 {
		b.past = make([]segment, min(int(apartS*b.rateHz)/b.hop+2, 64))
	}
	for i := range b.past {
		b.past[i] = segment{start: -1, x: make([]complex128, n), power: make([]float64, n), energy: make([]float64, groups)}
	}
	for m := range b.mics {
		b.mics[m].cells = make([]cell, n)
		b.mics[m].groups = make([]group, groups)
		if !cfg.EverySegment {
			b.mics[m].burst.plan(n)
		}
	}
	b.start(b.settle())
	return b
}

// hop is the samples from one segment to the next.
func (c *Config) hop(size int) int { return max(1, size-int(float64(size)*c.Overlap)) }

// start makes i, the start of a segment, that of all microphones' next.
func (b *band) start(i int64) {
	for m := range b.next {
		b.next[m] = i
	}
	for c := range b.held {
		b.held[c] = math.MinInt64
	}
}

// settle is where the first segment starts: a halved signal first has to fill
// its filters.
func (b *band) settle() int64 {
	if b.decimation == 1 {
		return 0
	}
	return b.ceil(halveMemory + 2)
}

// ceil is the first start of a segment at or after i.
func (b *band) ceil(i int64) int64 {
	hop := int64(b.hop)
	return (i + hop - 1) / hop * hop
}

// cut drops all samples that wait: what follows does not follow on them.
func (b *band) cut() {
	end := b.tracks[0].end()
	for i := range b.tracks {
		b.tracks[i].start(end)
	}
	b.start(b.ceil(b.settled(end)))
}

// settled is where samples that start at i can be relied on.
func (b *band) settled(i int64) int64 {
	if b.decimation > 1 {
		i += halveMemory + 2
	}
	return i
}

// restart makes the microphone's next segment the first that holds nothing but
// the newest samples of it, or as many as were kept.
func (b *band) restart(mic int, newest int64) {
	y := &b.tracks[mic+1]
	from := max(y.end()-newest, b.settled(y.first()))
	b.next[mic] = b.ceil(max(from-b.offset[mic], b.settled(b.tracks[0].first())))
}

// setOffset moves one microphone's segments, and turns what was averaged as if
// they had always been there.
func (b *band) setOffset(mic int, offset int64) {
	shift := offset - b.offset[mic]
	if shift == 0 {
		return
	}
	b.offset[mic] = offset
	b.mics[mic].changed = true
	for i := range b.mics[mic].cells {
		c := &b.mics[mic].cells[i]
		sin, cos := math.Sincos(2 * math.Pi * float64(b.low+i) * float64(shift) / float64(b.size))
		c.re, c.im = c.re*cos-c.im*sin, c.re*sin+c.im*cos
	}
}

// run averages every segment that is whole, and reports each microphone that
// took one.
func (b *band) run(taken func(mic int)) {
	size, hop, end := int64(b.size), int64(b.hop), b.tracks[0].end()
	for again := true; again; {
		again = false
		for m := range b.mics {
			if i := b.next[m]; i < b.stop && i+max(0, b.offset[m])+size <= end {
				b.next[m] += hop
				again = true
				b.average(m, i, taken)
			}
		}
	}
	b.flush(nil, taken)
	first := int64(math.MaxInt64 / 2) // nothing is needed any more
	for m, i := range b.next {
		if i >= b.stop {
			b.hold(m+1, first)
			continue
		}
		first = min(first, i)
		b.hold(m+1, min(i+b.offset[m], b.recent(0)))
	}
	b.hold(0, min(first, b.recent(MaxDelayS)))
}

// hold says that nothing of a channel before sample i is needed here.
func (b *band) hold(channel int, i int64) {
	b.held[channel] = i
	if b.twin != nil {
		i = min(i, b.twin.held[channel])
	}
	b.tracks[channel].keep(i)
}

// recent is from where on samples are kept for restart, with a delay of so many
// seconds.
func (b *band) recent(delayS float64) int64 {
	if b.lookBack < 0 {
		return math.MaxInt64
	}
	return b.tracks[0].end() - b.lookBack - int64(b.size+b.hop) - int64(delayS*b.rateHz)
}

// average takes in the microphone's part of the reference's segment at start.
// Two real sequences share a transform: the reference's and that of the first
// microphone to get there, or those of two microphones.
func (b *band) average(mic int, start int64, taken func(mic int)) {
	x, y := b.tracks[0].at(start, b.size), b.tracks[mic+1].at(start+b.offset[mic], b.size)
	if x == nil || y == nil {
		return
	}
	if b.cfg.EverySegment && len(b.mics) == 1 && b.mics[0].squares == nil && !zeros(x) && !zeros(y) {
		if b.quarters() {
			z, sumX, sumY := b.plan.AllButLast(x, y, b.window)
			b.mics[0].addLast(b, z, sumX, sumY)
		} else {
			b.mics[0].addWhole(b, b.transformPair(x, y))
		}
		taken(0)
		return
	}
	s := &b.past[int(start/int64(b.hop))%len(b.past)]
	switch {
	case s.start == start && b.waiting.mic >= 0:
		b.flush(&due{mic, s, y}, taken)
	case s.start == start:
		b.waiting = due{mic, s, y}
	default:
		if b.waiting.mic == mic || b.waiting.of == s {
			b.flush(nil, taken)
		}
		s.start = start
		b.transform(s.x, b.ya, x, y)
		b.weigh(s)
		b.take(&due{mic, s, y}, b.ya, taken)
	}
}

// quarters says that all bins are kept, and the last pass of the transform is one of
// four.
func (b *band) quarters() bool {
	return b.low == 0 && b.high == b.size/2+1 && log2(b.size)%2 == 0
}

// flush averages the segment that waits, and d, which may be nil.
func (b *band) flush(d *due, taken func(mic int)) {
	first := b.waiting
	if first.mic < 0 {
		return
	}
	b.waiting = due{mic: -1}
	if d == nil {
		b.transform(b.ya, b.yb, first.samples, nil)
		b.take(&first, b.ya, taken)
		return
	}
	b.transform(b.ya, b.yb, first.samples, d.samples)
	b.take(&first, b.ya, taken)
	b.take(d, b.yb, taken)
}

func (b *band) take(d *due, y []complex128, taken func(mic int)) {
	b.segment = d.of
	if b.mics[d.mic].add(b, y, &b.letInS[d.mic]) {
		taken(d.mic)
	}
}

// transformPair is the transform of one + j·two under the window and without
// their means.
func (b *band) transformPair(one, two []float64) []complex128 {
	z, sumOne, sumTwo := b.plan.TransformPair(one, two, b.window)
	if b.low == 0 {
		b.center(z, sumOne, sumTwo)
	}
	return z
}

// center takes out what the means, sum/n, leave in z: the periodic Hann window
// turns a constant into n/2 in bin 0 and −n/4 in the bins beside it.
func (b *band) center(z []complex128, sumOne, sumTwo float64) {
	mean := complex(sumOne, sumTwo)
	z[0] -= mean / 2
	z[1] += mean / 4
	z[len(z)-1] += mean / 4
}

// transform sets p and q to the spectra, bins low…high, of two windowed
// segments without their means; nil is silence.
func (b *band) transform(p, q []complex128, one, two []float64) {
	if one == nil {
		one = b.silence
	}
	if two == nil {
		two = b.silence
	}
	// Rounding must not make a signal of a dead channel.
	if zeros(one) {
		defer clear(p)
	}
	if zeros(two) {
		defer clear(q)
	}
	z := b.transformPair(one, two)
	from := 0
	if b.low == 0 {
		p[0], q[0] = complex(real(z[0]), 0), complex(imag(z[0]), 0)
		from = 1
	}
	// Bin k of p + jq with its twin n−k gives both; fft.Split, written out.
	up, down := b.twins(z, from)
	pp, qq := p[from:][:len(up)], q[from:][:len(up)]
	for i, u := range up {
		d := down[len(up)-1-i]
		pp[i] = complex(0.5*(real(u)+real(d)), 0.5*(imag(u)-imag(d)))
		qq[i] = complex(0.5*(imag(u)+imag(d)), 0.5*(real(d)-real(u)))
	}
}

// twins are the bins that are kept, from low+from on, and their twins n−k,
// last first.
func (b *band) twins(z []complex128, from int) (up, down []complex128) {
	up = z[b.low+from : b.high]
	return up, z[b.size-b.high+1:][:len(up)]
}

// zeros says whether there is nothing else in x, which may be nil.
func zeros(x []float64) bool {
	for _, v := range x {
		if v != 0 {
			return false
		}
	}
	return true
}

// weigh sets the power of each bin of the reference and the energy of each group.
func (b *band) weigh(s *segment) {
	for i, v := range s.x {
		s.power[i] = real(v)*real(v) + imag(v)*imag(v)
	}
	for g := range s.energy {
		sum := 0.0
		from, to := b.groups[g], b.groups[g+1]
		for _, p := range s.power[from:to] {
			sum += p
		}
		s.energy[g] = sum / float64(to-from)
	}
}

// decay is the factor for what is averaged already when a segment comes to
// averages of that weight.
func (b *band) decay(weight float64) float64 {
	switch a := &b.cfg.Averaging; {
	case a.Mode == Exponential:
		if b.fadingS != a.TimeConstantS {
			b.fadingS, b.fading = a.TimeConstantS, math.Exp(-float64(b.hop)/(b.rateHz*a.TimeConstantS))
		}
		return b.fading
	case a.Mode == Count:
		if count := max(1, float64(a.Count)/b.hops); weight+1 > count {
			return (count - 1) / weight
		}
	}
	return 1
}

// read fills dst with the spectra of a fixed window.
func (b *band) read(dst *Spectra, mic int, l *late) {
	a := &b.mics[mic]
	if l != nil {
		l.judge(mic)
	}
	turn := b.residual(dst.DelayS, mic)
	for g := range a.groups {
		from, to := b.groups[g], b.groups[g+1]
		scale := 0.0
		averages := a.groups[g].averages()
		if averages > 0 {
			scale = b.density / a.groups[g].weight
		}
		for i := from; i < to; i++ {
			k := b.low + i
			c, s := &a.cells[i], scale
			if k == 0 || k == b.size/2 {
				s /= 2 // has no negative twin
			}
			dst.Gxx[i], dst.Gyy[i] = s*c.xx, s*c.yy
			sin, cos := 0.0, 1.0
			if turn != 0 {
				sin, cos = math.Sincos(turn * float64(k))
			}
			dst.Gxy[i] = complex(s*(c.re*cos-c.im*sin), s*(c.re*sin+c.im*cos))
			dst.EffectiveAverages[i] = averages
			if l != nil && averages > 0 && c.xx > 0 {
				dst.EffectiveAverages[i] = 1 / l.widen(mic, i, 1/averages, c.xx, c.yy, complex(c.re, c.im))
			}
		}
	}
}

// residual is the phase in radians a bin that is left of the delay beyond the
// whole samples of the segment's offset.
func (b *band) residual(delayS float64, mic int) float64 {
	return 2 * math.Pi / float64(b.size) * (delayS*b.rateHz - float64(b.offset[mic]))
}

// track is what is kept of one channel: samples base … base+len.
type track struct {
	samples []float64
	skip    int // samples at the front that are not needed any more
	base    int64
}

func (t *track) end() int64 { return t.base + int64(len(t.samples)) }

// first is the oldest sample that is still needed.
func (t *track) first() int64 { return t.base + int64(t.skip) }

func (t *track) push(x []float64) {
	if t.skip > 0 && len(t.samples)+len(x) > cap(t.samples) {
		n := copy(t.samples, t.samples[t.skip:])
		t.samples, t.base, t.skip = t.samples[:n], t.base+int64(t.skip), 0
	}
	if need := len(t.samples) + len(x); need > cap(t.samples) {
		// Twice what is needed, so that moving it to the front is rare.
		t.samples = append(make([]float64, 0, 2*need), t.samples...)
	}
	t.samples = append(t.samples, x...)
}

// keep says that nothing before sample i is needed any more.
func (t *track) keep(i int64) {
	t.skip = int(min(max(0, i-t.base), int64(len(t.samples))))
}

// start drops everything; the next sample is i.
func (t *track) start(i int64) { t.samples, t.skip, t.base = t.samples[:0], 0, i }

// at is the n samples from i on, nil when they are not there.
func (t *track) at(i int64, n int) []float64 {
	if i < t.base || i+int64(n) > t.end() {
		return nil
	}
	return t.samples[i-t.base:][:n]
}
