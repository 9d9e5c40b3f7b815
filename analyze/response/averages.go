package response

// cell is the weighted sum of a bin's |X|², |Y|² and X*·Y.
type cell struct{ xx, yy, re, im float64 }

// group is what the bins of a group have in common: which segments they took.
type group struct {
	weight float64 // sum of the weights
	// variance is the double sum of weights times squared correlations over all
	// pairs of segments taken (Welch 1967), so weight²/variance is what they are
	// worth, whatever was left out between them.
	variance float64
	taken    uint64  // the last segments, newest in bit 0
	xx       float64 // weighted sum of the reference's energy
}

func (g *group) averages() float64 {
	if g.weight == 0 {
		return 0
	}
	return g.weight * g.weight / g.variance
}

// averages are those of one microphone at one window length.
type averages struct {
	cells  []cell
	groups []group
	weight float64 // of the segments, whatever bins were left out of them
	burst  burst
	// changed since late sound was judged by them.
	changed bool
	// squares is the weighted sum of |X|⁴ of each bin; nil where nobody asks.
	squares []float64
}

func (a *averages) reset() {
	clear(a.cells)
	clear(a.groups)
	clear(a.squares)
	a.weight = 0
	a.burst.reset()
	a.changed = true
}

// A bin's energy can be too small to say anything:
const (
	// Below this fraction of its average so far a segment carries nothing: −30 dB.
	quiet = 1e-3
	// And unless the microphone confirms it as programme, all the same: what the
	// reference explains of the microphone's energy must be 1/10 of it.
	explained = 0.1
	// The reference holds the rounding of 24-bit samples below this, in full
	// scale squared: the variance of a step of 2^−23, four times over.
	rounding = 4 * 0x1p-46 / 12
)

// add averages the spectrum y of one segment with that of the reference. It
// reports whether the segment was taken.
func (a *averages) add(b *band, y []complex128, letInS *float64) bool {
	every := b.cfg.EverySegment
	if !every && a.burst.disturbed(a, b, y, letInS) {
		for g := range a.groups {
			a.groups[g].taken <<= 1
		}
		return false
	}
	a.changed = true
	a.weight = b.decay(a.weight)*a.weight + 1
	for g := range a.groups {
		s := &a.groups[g]
		from, to := b.groups[g], b.groups[g+1]
		decay := b.decay(s.weight)
		if !every {
			if b.silent(g) || (b.segment.energy[g]*s.weight < quiet*s.xx && !a.confirmed(b, y, from, to)) {
				s.taken <<= 1
				continue
			}
			if b.segment.energy[g]*s.weight*quiet > s.xx {
				decay, s.taken = 0, 0 // what was averaged until now was silence
			}
		}
		b.count(s, decay)
		s.xx = decay*s.xx + b.segment.energy[g]
		if a.squares != nil {
			squares, fade := a.squares[from:to], decay*decay
			for i, p := range b.segment.power[from:to] {
				squares[i] = fade*squares[i] + p*p
			}
		}
		accumulate(a.cells[from:to], b.segment.x[from:to], y[from:to], b.segment.power[from:to], decay)
	}
	return true
}

func accumulate(cells []cell, x, y []complex128, power []float64, decay float64) {
	x, y, power = x[:len(cells)], y[:len(cells)], power[:len(cells)]
	for i := range cells {
		c := &cells[i]
		xr, xi, yr, yi := real(x[i]), imag(x[i]), real(y[i]), imag(y[i])
		c.xx = decay*c.xx + power[i]
		c.yy = decay*c.yy + (yr*yr + yi*yi)
		c.re = decay*c.re + (xr*yr + xi*yi)
		c.im = decay*c.im + (xr*yi - xi*yr)
	}
}

// addWhole averages one segment whose transform of reference + j·microphone is
// z, with nothing left out: add in one pass, for long recordings.
func (a *averages) addWhole(b *band, z []complex128) {
	a.changed = true
	decay := b.decay(a.weight)
	a.weight = decay*a.weight + 1
	for g := range a.groups {
		b.count(&a.groups[g], decay)
	}
	from := 0
	if b.low == 0 {
		c, x, y := &a.cells[0], real(z[0]), imag(z[0])
		c.xx, c.yy, c.re = decay*c.xx+x*x, decay*c.yy+y*y, decay*c.re+x*y
		from = 1
	}
	up, down := b.twins(z, from)
	addPairs(a.cells[from:][:len(up)], up, down, decay)
}

// count adds one segment to a group.
func (b *band) count(s *group, decay float64) {
	pairs := b.whole
	if lags := uint(len(b.rho)); decay != 1 || lags > 64 || ^s.taken<<(64-lags) != 0 {
		pairs = 1
		power := 1.0
		for j, rho := range b.rho {
			if j >= 64 || s.taken>>j&1 == 1 {
				power *= decay
				pairs += 2 * power * rho
			}
		}
	}
	s.weight = decay*s.weight + 1
	s.variance = decay*decay*s.variance + pairs
	s.taken = s.taken<<1 | 1
}

// silent says that the reference holds no more than rounding in a group.
func (b *band) silent(g int) bool {
	return b.segment.energy[g]*b.density <= rounding*2/b.cfg.SampleRateHz
}

// confirmed says whether the reference explains what the microphone hears in
// the bins from…to of this segment.
func (a *averages) confirmed(b *band, y []complex128, from, to int) bool {
	predicted, heard := 0.0, 0.0
	for i := from; i < to; i++ {
		c := &a.cells[i]
		if c.xx > 0 {
			predicted += (c.re*c.re + c.im*c.im) / (c.xx * c.xx) * b.segment.power[i]
		}
		heard += real(y[i])*real(y[i]) + imag(y[i])*imag(y[i])
	}
	return predicted >= explained*heard && predicted > 0
}
