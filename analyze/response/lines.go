package response

import "math"

// trust is how far each line of a late is to be trusted, and makes estimates of
// points with it. A line's H_k is off by noise of mean square ν_k = N/(n P_k), N
// being what the lines do not explain of the microphone's density, P_k that of the
// reference and n the averages; and H_k is itself one of many, which spread by σ².
// For their mean the best weights are those of a random-effects model
// (DerSimonian and Laird, Controlled Clinical Trials 7, 1986), within the window u
// of the point:
//
//	Ĥ = Σ v_k H_k,  v_k = u_k s_k / Σ u s,  s_k = σ²/(σ²+ν_k)
//	E|Ĥ−H|² = B' Σ v² ν + B σ² Σ (v−u)²
//
// with B' lines that tell the same noise. The second term is late's, or that of the
// nearer lags where it is more. There σ² is how lines spread about their own points,
// which is less than how they spread about all points of a group, and is pooled over
// those: of the few lines that a point may rest on, their mean leaves 1 − B Σ v² to
// spread. Lines above noise count alike, whether the programme is strong there or weak;
// with no late sound, or under noise, v is the plain mean by power, and the error the
// closed form.
// So the programme's own lines, which repeat themselves in late sound, bear no more
// weight than others.
type trust struct {
	told   []line
	sparse []float64 // by how much fewer averages a line is worth that sounds now and then
	idle   []bool    // lines that a periodic reference does not have, see periodic
	spread []float64 // of H over the lines of a group, re the reference
	about  []float64 // of H about the points of a group: late sound, summed over points
	free   []float64 // what is left of the points' lines to spread, their own mean taken off
	least  []float64 // late sound that a group has at least: 0, or all there is when its lines are too few
}

// line is what one contributes to the estimate of a point, times its trust s, 0…1.
type line struct {
	s      float64
	hr, hi float64 // H
	hh     float64 // |H|² without noise
	noise  float64 // s² times the mean square of what H is off by
}

// estimate is H of a point by its lines.
type estimate struct {
	h           complex128
	variance    float64 // E|Ĥ−H|²
	unexplained float64 // late sound and noise, re the reference
	uneven      float64 // of its lines: what to multiply their spread with
	ok          bool
}

func newTrust(lines, groups int) *trust {
	return &trust{
		told: make([]line, lines), sparse: make([]float64, lines), spread: make([]float64, groups),
		about: make([]float64, groups), free: make([]float64, groups), least: make([]float64, groups), idle: make([]bool, lines),
	}
}

const (
	// fewest is by how much a sum of squares about a mean, of one or two, is at most
	// enlarged for what the mean took of it.
	fewest = 4
	// leastSpread is the late sound that every room is taken to have, re all that is
	// explained: lines count alike where noise is below.
	leastSpread = 1e-3
	// fewestFree of a point, all of them in a group: else nothing is known of a spread.
	fewestFree = 0.05
	// fewKept lines of a periodic reference tell too little of how much they spread.
	fewKept = 8
	// lineBandwidth is how many lines half overlapping segments tell of one: 2.11,
	// the sum of the squared correlations over lines and segments, re 1.06, that
	// over segments.
	lineBandwidth = 2.0
)

// lines brings all that is told up to date.
func (t *trust) lines(l *late, a *averages) {
	clear(t.told)
	clear(t.about)
	clear(t.free)
	clear(t.least)
	for g := range a.groups {
		t.spread[g] = 0
		if n := l.worth(&a.groups[g]); n > lateAverages {
			t.group(l, a, g, n)
		}
	}
}

// group does it for the lines of one, worth n averages.
func (t *trust) group(l *late, a *averages, g int, n float64) {
	from, to := l.band.groups[g], l.band.groups[g+1]
	var reference, explained, rest, count float64
	t.periodic(l, from, to)
	for i := from; i < to; i++ {
		c := &a.cells[i]
		if !(c.xx > 0) || t.idle[i] {
			continue
		}
		count++
		// The mean square of noise is twice its squared mean.
		t.sparse[i] = max(1, a.squares[i]/(c.xx*c.xx)*n*l.band.whole/2-lateChance)
		reference += l.xx[i]
		explained += l.explained[i]
		rest += max(0, l.yy[i]-l.explained[i]) * besides(n/t.sparse[i])
	}
	if !(reference > 0) {
		return
	}
	lines := count
	noise := rest / n / lines // of |Ĥ−H|² at a line, times its |X|²
	prior := explained / reference
	// First the spread, with lines that are above noise, then what to think of lines.
	var s, squares, hr, hi, hh float64
	for i := from; i < to; i++ {
		if l.xx[i] > 0 && !t.idle[i] {
			inverse := 1 / l.xx[i]
			off := noise * inverse
			w := prior / (prior + off)
			re, im := l.re[i]*inverse, l.im[i]*inverse
			s += w
			hr += w * re
			hi += w * im
			hh += w * (re*re + im*im - off)
			squares += w * w
		}
	}
	chance := 2 * noise / reference * math.Sqrt(2*lines)
	spread := max(0, (hh/s-(hr*hr+hi*hi)/(s*s))*besides(s*s/squares)-chance)
	if count < fewKept && count < float64(to-from) {
		spread = prior // too few to tell: each may be off by all there is
		t.least[g] = prior
	}
	t.spread[g] = spread
	// Later than the lines' window, it is noise that comes when the line sounds.
	beyond := min(1, lateBeyond*spread*reference/lines/(noise*n))
	spread = max(spread, leastSpread*prior)
	for i := from; i < to; i++ {
		if l.xx[i] > 0 && !t.idle[i] {
			inverse := 1 / l.xx[i]
			off := noise * inverse
			w := spread / (spread + off)
			re, im := l.re[i]*inverse, l.im[i]*inverse
			own := max(0, l.yy[i]-l.explained[i]) * inverse / (n - 1)
			t.told[i] = line{
				s: w, hr: w * re, hi: w * im, hh: w * (re*re + im*im - own),
				noise: w * w * off * (1 + beyond*(t.sparse[i]-1)),
			}
		}
	}
}

// besides is n/(n−1), which makes a mean square about the mean of n one about the
// truth; no more than fewest.
func besides(n float64) float64 {
	if n < fewest/(fewest-1.0) {
		return fewest
	}
	return n / (n - 1)
}

// finish completes the estimates of points of group g.
func (t *trust) finish(e *estimate, g int) {
	if e.unexplained > 0 {
		e.variance += max(t.least[g], t.about[g]/max(t.free[g], fewestFree)) * e.uneven
		e.ok = e.variance > 0
	}
}

// point estimates one of group g, with noise re the reference, where so many times
// more lines than of noise tell the same, as tonal has it.
func (t *trust) point(p *lines, g int, noise, tonal float64) (e estimate) {
	var s, hr, hi, hh, off, squares, cross float64
	told := t.told[p.first:][:len(p.u)]
	for k, u := range p.u {
		c := &told[k]
		s += u * c.s
		hr += u * c.hr
		hi += u * c.hi
		hh += u * c.hh
		u *= u
		off += u * c.noise
		squares += u * c.s * c.s
		cross += u * c.s
	}
	if !(s > 0) {
		return e
	}
	hr, hi = hr/s, hi/s
	late := max(0, hh/s-hr*hr-hi*hi)
	uneven := max(0, squares/(s*s)-2*cross/s+p.own)
	e.h = complex(hr, hi)
	e.unexplained = late + noise
	// The rest of the variance comes when it is known how lines spread about their
	// points.
	var near tapered
	for k, u := range p.u {
		near.add(u * (told[k].s/s - 1))
	}
	e.variance = tonal * lineBandwidth * off / (s * s)
	e.uneven = tonal * hannBandwidth * max(uneven, near.sum()/nearerShare)
	t.about[g] += hh/s - hr*hr - hi*hi
	t.free[g] += max(0, 1-hannBandwidth*tonal*squares/(s*s))
	return e
}
