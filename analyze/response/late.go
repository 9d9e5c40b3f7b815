package response

import "math"

// Late sound. What a room sends after the window is not explained by it, and is
// no noise: it is the reference again, by a lag τ later, and adds to H1 as
// much as the programme resembles itself at that lag. The fewer and the longer its
// notes, the more it does, however long one listens.
//
// Take lines of frequency k, as fine as a window makes them that is several times
// as long. Then H1 is the mean of their H_k weighted by the reference's power,
//
//	Ĥ = Σ w_k H_k,  w_k = u_k P_k / Σ u P
//
// where u_k, of sum 1, is the spectral window of the point: its bins, each as
// wide as the transform of their window. H = Σ u_k H_k is what it would be with
// noise for programme. Over the lines of a room H_k − H is random, of mean square
// σ² (Schroeder, J. Acoust. Soc. Am. 34, 1962), so that the error is that of the
// mean of a sample with unequal weights (Cochran, Sampling Techniques, 3rd ed.,
// ch. 5; in lags it is Bartlett's formula: Priestley, Spectral Analysis and Time
// Series, ch. 5.3):
//
//	E|Ĥ−H|² = σ² Q,  Q = Σ (w_k−u_k)² / (1/B − Σ u_k²)
//
// B is the bandwidth of a line, in lines: that of a Hann window (Welch 1967). 1/B
// is what the lines hold of all lags; Σu² of that the point's own window holds.
//
// So far late sound comes at all lags alike. It decays, and a note resembles itself
// most at the lags next to the window: Q is asked once more with the lags tapered, and
// the larger counts.
//
// On the multi-resolution grid that error is not told but taken out: lines that
// are known count alike, whatever their power; see trust. A fixed window stays the
// plain H1, and its averages are fewer: Q is to late sound what 1/n is to noise, and
// for steady noise they are equal. There the closed form stays right, as it does
// for what is no late sound, however sparse the programme.
const (
	// lateFactor is how many times as long as the window the lines' is, for the grid,
	// and fixedFactor for a fixed window, where Q should hold the lags at which most
	// of the reverberation comes and not those at which there is none.
	lateFactor, fixedFactor = 8, 4
	// No shorter, s; and no longer than one waits.
	lateLeastS, fixedLeastS, lateMostS = 1.0, 0.25, 2.8
	// lateChance is by how much Q, relative to the closed form, exceeds 1 by chance.
	lateChance = 0.25
	// lateBeyond is how strong the sound after the lines' window is at most, re that
	// between the two windows: as strong with reverberation of 6 s, where 13.8/6 s
	// of 0.3 s halve it.
	lateBeyond = 1
	// lateAverages is what the lines must be worth to tell late sound from noise.
	lateAverages = 1.5
	// lateYoung is by how much 1/n grows while lines were not heard twice, and the
	// programme may be anything; a few averages, lateFew, are wide as it is.
	lateYoung, lateFew = 4, 3
	// nearerShare of the lags that a Hann window's lines hold is left by that taper:
	// Σ(b∗¼,½,¼)²/Σb² of its lines b = ⅙, ⅔, ⅙.
	nearerShare = 0.6042
	// hannReach is how far a bin looks, in bins: the main lobe.
	hannReach = 2
)

// late is what a band knows of late sound: the same spectra with a longer window.
type late struct {
	band   *band
	factor int
	points []lines
	mics   []lateness
	trust  *trust    // nil for a fixed window
	period float64   // of the reference, s; 0: none
	tonal  []float64 // of each group: how many times as wide as noise's its lines are
	bin    []float64 // what a bin is made of, by lines
	// Means of the cells, scratch: |X|², |Y|², X*·Y, and what X explains of |Y|².
	xx, yy, re, im, explained []float64
}

// lines are those that a point, or its part, consists of.
type lines struct {
	first int
	u     []float64 // of sum 1; nil for none
	own   float64   // Σ u²
}

// lateness is what was found for one microphone, for each point.
type lateness struct {
	q     []float64  // Q; 0 when nothing is known
	noise []float64  // what it would be with noise for programme
	late  []float64  // late sound re the reference's energy; +Inf when it cannot be told from noise
	even  []estimate // by lines that count alike; nil for a fixed window
}

// worth is how many averages a line of a group is worth; with plain averages
// whatever spans they were made of.
func (l *late) worth(g *group) float64 {
	if l.band.cfg.Averaging.Mode == Infinite {
		return g.weight / l.band.whole
	}
	return g.averages()
}

// newLate makes the one for b, nil when a longer window would be too long.
func newLate(cfg *Config, b *band) *late {
	even := cfg.Window == 0
	factor, least := lateFactor, lateLeastS
	if !even {
		factor, least = fixedFactor, fixedLeastS
	}
	for float64(b.size*factor) < least*b.rateHz {
		factor *= 2
	}
	for float64(b.size*factor) > lateMostS*b.rateHz {
		factor /= 2
	}
	if factor < 2 {
		return nil
	}
	l := &late{factor: factor}
	for d := 1 - hannReach*factor; d < hannReach*factor; d++ {
		l.bin = append(l.bin, hannPower(float64(d)/float64(factor)))
	}
	size := b.size * factor
	hop := max(1, size/2/b.hop) * b.hop
	if cfg.EverySegment && !even { // as offline: all the time there is, and it has to be quick
		hop = max(1, size/b.hop) * b.hop
	}
	low := (b.low - hannReach) * factor
	if low < factor {
		low = 0
	}
	high := min(size/2+1, (b.high-1+hannReach)*factor+1)
	l.band = newBand(cfg, size, hop, b.decimation, low, high)
	l.band.tracks, l.band.twin, b.twin = b.tracks, b, l.band
	l.band.hops = float64(hop) / float64(b.hop)
	n := high - low
	l.xx, l.yy, l.re, l.im, l.explained = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	l.tonal = make([]float64, len(l.band.groups)-1)
	if even {
		l.trust = newTrust(n, len(l.band.groups)-1)
		for m := range l.band.mics {
			l.band.mics[m].squares = make([]float64, n)
		}
	}
	l.mics = make([]lateness, len(b.mics))
	return l
}

// add appends a point made of these bins of b, from first on, and returns its
// index.
func (l *late) add(b *band, first int, bins []float64) int {
	from := (b.low + first - hannReach) * l.factor
	to := (b.low + first + len(bins) - 1 + hannReach) * l.factor
	from, to = max(from+1, l.band.low, 1), min(to-1, l.band.high-1, l.band.size/2-1)
	p := lines{first: from - l.band.low}
	if b.low+first >= hannReach && to > from {
		p.u = make([]float64, to-from+1)
		sum := 0.0
		for i, w := range bins {
			middle := (b.low+first+i)*l.factor - from
			for d, power := range l.bin {
				if k := middle + d - len(l.bin)/2; k >= 0 && k < len(p.u) {
					p.u[k] += w * power
					sum += w * power
				}
			}
		}
		for k := range p.u {
			p.u[k] /= sum
			p.own += p.u[k] * p.u[k]
		}
	}
	l.points = append(l.points, p)
	return len(l.points) - 1
}

// same appends a point like the last, so many bins of b further on.
func (l *late) same(bins int) {
	p := l.points[len(l.points)-1]
	p.first += bins * l.factor
	if p.u == nil || p.first+len(p.u) > l.band.high-l.band.low {
		p = lines{}
	}
	l.points = append(l.points, p)
}

// planned makes room for the points that were added.
func (l *late) planned() {
	n := len(l.points)
	for m := range l.mics {
		l.mics[m] = lateness{q: make([]float64, n), noise: make([]float64, n), late: make([]float64, n)}
		if l.trust != nil {
			l.mics[m].even = make([]estimate, n)
		}
	}
}

// judge brings what is known of a microphone up to date.
func (l *late) judge(mic int) {
	a := &l.band.mics[mic]
	if !a.changed {
		return
	}
	a.changed = false
	for g := range a.groups {
		from, to := l.band.groups[g], l.band.groups[g+1]
		scale := 0.0
		if w := a.groups[g].weight; w > 0 {
			scale = 1 / w
		}
		for i := from; i < to; i++ {
			c := &a.cells[i]
			l.xx[i], l.yy[i], l.re[i], l.im[i], l.explained[i] = scale*c.xx, scale*c.yy, scale*c.re, scale*c.im, 0
			if c.xx > 0 {
				l.explained[i] = scale * (c.re*c.re + c.im*c.im) / c.xx
			}
		}
	}
	for g := range l.tonal {
		l.tonal[g] = tonal(l.xx[l.band.groups[g]:l.band.groups[g+1]])
	}
	if l.trust != nil {
		l.trust.lines(l, a)
	}
	g := 0
	for i := range l.points {
		g = l.group(i, g)
		l.mics[mic].judge(l, i, g, l.worth(&a.groups[g]))
	}
	if l.trust != nil {
		for i := range l.points {
			g = l.group(i, g)
			l.trust.finish(&l.mics[mic].even[i], g)
		}
	}
}

// group is that of point i, near g.
func (l *late) group(i, g int) int {
	middle := l.points[i].first + len(l.points[i].u)/2
	for g+2 < len(l.band.groups) && l.band.groups[g+1] <= middle {
		g++
	}
	for g > 0 && l.band.groups[g] > middle {
		g--
	}
	return g
}

// judge does it for point i, whose lines are worth so many averages, as those of
// group g.
func (m *lateness) judge(l *late, i, g int, averages float64) {
	p := &l.points[i]
	m.q[i], m.noise[i], m.late[i] = 0, 0, 0
	if m.even != nil {
		m.even[i] = estimate{}
	}
	n := len(p.u)
	if n == 0 || averages == 0 {
		return
	}
	xx, yy := l.xx[p.first:][:n], l.yy[p.first:][:n]
	re, im, explained := l.re[p.first:][:n], l.im[p.first:][:n], l.explained[p.first:][:n]
	var sx, sy, sre, sim, se, square, cross float64
	for k, u := range p.u {
		x := u * xx[k]
		sx += x
		sy += u * yy[k]
		sre += u * re[k]
		sim += u * im[k]
		se += u * explained[k]
		square += x * x
		cross += x * u
	}
	if !(sx > 0) {
		return
	}
	room := 1/hannBandwidth - p.own
	m.q[i] = l.tonal[g] * max(0, square/(sx*sx)-2*cross/sx+p.own) / room
	m.noise[i] = p.own / (averages * room)
	if m.even == nil {
		var near tapered
		for k, u := range p.u {
			near.add(u * (xx[k]/sx - 1))
		}
		m.q[i] = max(m.q[i], l.tonal[g]*near.sum()/(nearerShare/hannBandwidth-p.own))
	}
	m.late[i] = math.Inf(1)
	if averages > lateAverages {
		noise := max(0, sy-se) * averages / (averages - 1)
		m.late[i] = max(0, (sy-(sre*sre+sim*sim)/sx-noise)/sx)
		if m.even != nil {
			m.even[i] = l.trust.point(p, g, noise/sx, l.tonal[g])
		}
	}
}

// tapered is Σ (w_k−u_k)² of differences smoothed over neighbouring lines by ¼, ½, ¼,
// which is what a cosine taper leaves of their lags; they are added line by line.
type tapered struct{ square, before, last float64 }

func (t *tapered) add(difference float64) {
	v := t.before/4 + t.last/2 + difference/4
	t.square += v * v
	t.before, t.last = t.last, difference
}

// sum ends it.
func (t *tapered) sum() float64 {
	t.add(0)
	t.add(0)
	return t.square
}

// widen is 1/n of point i with late sound, given that without it, inverse, and
// the averages of the point as its window has them.
func (l *late) widen(mic, i int, inverse, xx, yy float64, xy complex128) float64 {
	m := &l.mics[mic]
	excess := m.q[i] - (1+lateChance)*max(inverse, m.noise[i])
	if l.trust != nil {
		young := max(min(1/inverse, lateFew), 1/(lateYoung*inverse))
		return max(1/young, inverse+max(0, excess)) // not by its lines yet
	}
	if excess <= 0 || !(m.late[i] > 0) {
		return inverse
	}
	unexplained := yy/xx - (real(xy)*real(xy)+imag(xy)*imag(xy))/(xx*xx)
	share := min(1, (1+lateBeyond)*m.late[i]/unexplained)
	if !(share > 0) { // of nothing
		share = 1
	}
	return inverse + share*excess
}

// tonal is by how many times more lines tell the same of these than of noise, 1…toneLines
// over hannBandwidth: a tone that is held fills the main lobe of a Hann window, and all
// its lines have the H of one frequency.
func tonal(xx []float64) float64 {
	const near, around, byChance, toneLines = 2, 8, 0.4, 3.5
	var within, all, n, a float64
	for k, v := range xx { // sums of the lines about k − around
		a += v
		if k > 2*around {
			a -= xx[k-2*around-1]
		}
		if k >= around-near {
			n += xx[k-around+near]
		}
		if k > around+near {
			n -= xx[k-around-near-1]
		}
		if k >= 2*around && a > 0 {
			within += xx[k-around] * n / a
			all += xx[k-around]
		}
	}
	if all == 0 {
		return 1
	}
	share := max(0, (within/all-byChance)/(1-byChance))
	return 1 + share*(toneLines/hannBandwidth-1)
}
