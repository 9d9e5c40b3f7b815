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
	tracks     []track // reference, microphones
	offset     []int64 // of each microphone's segment
	next, stop int64   // where the next segment of the reference starts; from where on none counts
	silence    []float64
	x, ya, yb  []complex128
	power      []float64 // |X|²
	groups     []int     // boundaries of groups of bins, from low
	energy     []float64 // mean of power over each group
	rho        []float64 // statistics.Correlations
	whole      float64   // 1 + 2 Σ rho
	fading     float64   // of exponential averages, from hop to hop, for the time constant fadingS
	fadingS    float64
	mics       []averages
	letInS     []float64 // of each microphone, shared by all bands; see burst
}

func newBand(cfg *Config, size, decimation, low, high int) *band {
	b := &band{
		cfg: cfg, size: size, decimation: decimation, low: low, high: high,
		hop:    max(1, size-int(float64(size)*cfg.Overlap)),
		rateHz: cfg.SampleRateHz / float64(decimation),
		window: window.Hann(size + 1)[:size], // the periodic one
		plan:   fft.NewComplex(size),
		tracks: make([]track, cfg.Microphones+1),
		offset: make([]int64, cfg.Microphones),
		mics:   make([]averages, cfg.Microphones),
		letInS: make([]float64, cfg.Microphones),
		stop:   math.MaxInt64,
		whole:  1,
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
	b.x, b.ya, b.yb = make([]complex128, n), make([]complex128, n), make([]complex128, n)
	b.power = make([]float64, n)
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
	b.energy = make([]float64, len(b.groups))
	b.groups = append(b.groups, n)
	for m := range b.mics {
		b.mics[m].cells = make([]cell, n)
		b.mics[m].groups = make([]group, len(b.energy))
		if !cfg.EverySegment {
			b.mics[m].burst.plan(n)
		}
	}
	b.next = b.settle()
	return b
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
	b.next = b.ceil(end)
	if b.decimation > 1 {
		b.next = b.ceil(end + halveMemory + 2)
	}
}

// setOffset moves one microphone's segments, and turns what was averaged as if
// they had always been there.
func (b *band) setOffset(mic int, offset int64) {
	shift := offset - b.offset[mic]
	if shift == 0 {
		return
	}
	b.offset[mic] = offset
	for i := range b.mics[mic].cells {
		c := &b.mics[mic].cells[i]
		sin, cos := math.Sincos(2 * math.Pi * float64(b.low+i) * float64(shift) / float64(b.size))
		c.re, c.im = c.re*cos-c.im*sin, c.re*sin+c.im*cos
	}
}

// run averages every segment that is whole, and reports each microphone that
// took one.
func (b *band) run(taken func(mic int)) {
	first, last := int64(0), int64(0)
	for _, o := range b.offset {
		first, last = min(first, o), max(last, o)
	}
	for end := b.tracks[0].end(); b.next < b.stop && b.next+last+int64(b.size) <= end; b.next += int64(b.hop) {
		b.segment(taken)
	}
	if b.next >= b.stop {
		first = math.MaxInt64 / 2 // nothing is needed any more
	}
	for i := range b.tracks {
		b.tracks[i].keep(b.next + first)
	}
}

func (b *band) segment(taken func(mic int)) {
	ref := b.tracks[0].at(b.next, b.size)
	if ref == nil {
		return
	}
	for m := -1; m < len(b.mics); m += 2 { // pairs: reference and first, second and third, …
		one, two := ref, []float64(nil)
		if m >= 0 {
			one = b.tracks[m+1].at(b.next+b.offset[m], b.size)
		}
		if m+1 < len(b.mics) {
			two = b.tracks[m+2].at(b.next+b.offset[m+1], b.size)
		}
		if m < 0 && b.cfg.EverySegment && len(b.mics) == 1 && !zeros(one) && !zeros(two) {
			b.mics[0].addWhole(b, b.transformPair(one, two))
			taken(0)
			return
		}
		if m < 0 {
			b.transform(b.x, b.ya, one, two)
			b.weigh()
			b.take(m+1, b.ya, two != nil, taken)
			continue
		}
		b.transform(b.ya, b.yb, one, two)
		b.take(m, b.ya, one != nil, taken)
		if m+1 < len(b.mics) {
			b.take(m+1, b.yb, two != nil, taken)
		}
	}
}

func (b *band) take(mic int, y []complex128, heard bool, taken func(mic int)) {
	if heard && b.mics[mic].add(b, y, &b.letInS[mic]) {
		taken(mic)
	}
}

// transformPair is the transform of one + j·two under the window and without
// their means.
func (b *band) transformPair(one, two []float64) []complex128 {
	sumOne, sumTwo := loadPair(b.plan.Input(), one, two, b.window)
	z := b.plan.Transform()
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

// loadPair fills dst with a + jb under the window w and returns the sums of a
// and b.
func loadPair(dst []complex128, a, b, w []float64) (sumA, sumB float64) {
	a, b, w = a[:len(dst)], b[:len(dst)], w[:len(dst)]
	var a0, a1, a2, a3, b0, b1, b2, b3 float64 // four chains: an addition waits for the last one
	for i := 0; i+3 < len(dst); i += 4 {
		d, p, q, v := dst[i:][:4], a[i:][:4], b[i:][:4], w[i:][:4]
		d[0] = complex(p[0]*v[0], q[0]*v[0])
		d[1] = complex(p[1]*v[1], q[1]*v[1])
		d[2] = complex(p[2]*v[2], q[2]*v[2])
		d[3] = complex(p[3]*v[3], q[3]*v[3])
		a0, a1, a2, a3 = a0+p[0], a1+p[1], a2+p[2], a3+p[3]
		b0, b1, b2, b3 = b0+q[0], b1+q[1], b2+q[2], b3+q[3]
	}
	return a0 + a1 + a2 + a3, b0 + b1 + b2 + b3
}

// weigh sets the power of each bin of the reference and the energy of each group.
func (b *band) weigh() {
	for i, v := range b.x {
		b.power[i] = real(v)*real(v) + imag(v)*imag(v)
	}
	for g := range b.energy {
		sum := 0.0
		from, to := b.groups[g], b.groups[g+1]
		for _, p := range b.power[from:to] {
			sum += p
		}
		b.energy[g] = sum / float64(to-from)
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
	case a.Mode == Count && weight+1 > float64(a.Count):
		return max(0, float64(a.Count)-1) / weight
	}
	return 1
}

// read fills dst with the spectra of a fixed window.
func (b *band) read(dst *Spectra, mic int) {
	a := &b.mics[mic]
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
