package arrival

import "math"

const (
	// farBelow the strongest band, −40 dB, bands count the less the softer they are.
	farBelow = 0.01
	// coherentAverages tell coherence; fewer do not.
	coherentAverages = 2.5
)

// correlate fills w.r with the generalised cross-correlation of s and w.p with
// the pulse that one arrival makes in it: r = p ∗ h plus noise, where h are the
// arrivals and p, real and even, is known exactly. measureOwn of s comes first.
//
// The weighting is Hannan and Thomson's, ψ = γ²/(1−γ²)/|Gxy| (Knapp and Carter,
// IEEE Trans. ASSP-24, 1976, Table I), with coherence γ² and level taken over
// third octaves, and with the programme's own fine structure divided out:
//
//	Q = W_b/(|H|_b·(Gxx+ε_b)),  r = F⁻¹{Q·Gxy},  p = F⁻¹{Q·Gxx}
//
// The smooth W_b and |H|_b leave a comb of reflections as it is: phase-only
// weighting would answer it with arrivals that are not there. Nor is the fine structure
// divided out of a reference that repeats itself (w.lined): what lies between its lines
// is no sound. prior weighs when s holds too few blocks to tell coherence.
func (w *Workspace) correlate(s *long, bandWeight, prior []float64) {
	l := &w.layout
	averages := s.averages()
	var level, height, epsilon [32]float64
	loudest := 0.0
	for b, e := range l.bands {
		var xx, yy, coherence float64
		for k := e.lo; k < e.hi; k++ {
			xx += s.xx[k]
			yy += s.yy[k]
			if d := s.xx[k] * s.yy[k]; d > 0 {
				c := s.xy[k]
				coherence += (real(c)*real(c) + imag(c)*imag(c)) / d
			}
		}
		bins := float64(e.hi - e.lo)
		level[b] = xx / bins
		loudest = max(loudest, level[b])
		height[b] = math.Sqrt(yy / (xx + 1e-300))
		bandWeight[b] = prior[b]
		if averages >= coherentAverages {
			// Unrelated channels have 1/K by chance, K averages: Carter, Knapp and
			// Nuttall, IEEE Trans. AU-21 (1973).
			g := (coherence/bins - 1/averages) / (1 - 1/averages)
			if g < 3/(averages*math.Sqrt(bins)) {
				g = 0
			}
			bandWeight[b] = 0.01 + g/(1-min(g, 1)+0.05)
		}
	}
	for b := range l.bands {
		epsilon[b] = 0.1*level[b] + 1e-8*loudest
		if !w.own[b] || level[b] < 1e-8*loudest {
			bandWeight[b] = 0
		}
	}
	// Bands that the loudspeaker plays softly are not raised to the rest: beyond its
	// edges its phase turns, and that would tear the pulse apart.
	usual := medianHeight(l.bands, height[:len(l.bands)], bandWeight)
	// Nor is what lies far under its strongest band: there are hundreds of times as many
	// bins above a subwoofer as in it, and what it leaks would outvote what it plays.
	for b := range l.bands {
		if bandWeight[b] > 0.1 {
			usual = max(usual, farBelow*height[b])
		}
	}
	var heard, heard2 float64
	for b, e := range l.bands {
		if bandWeight[b] > 0.1 {
			power := height[b] * height[b]
			heard += power * float64(e.hi-e.lo)
			heard2 += power * power * float64(e.hi-e.lo)
		}
		height[b] = max(height[b], usual)
		w.gain[b] = 0
		if level[b] > 0 {
			w.gain[b] = bandWeight[b] / (height[b] * level[b])
		}
	}
	w.smear = 0
	if heard > 0 {
		w.smear = 1.5 * float64(len(w.p)) * heard2 / (heard * heard)
	}
	clear(w.q)
	w.straightened = false
	for b, e := range l.bands {
		left, right := max(b-1, 0), min(b+1, len(l.bands)-1)
		middle, half := float64(e.lo+e.hi)/2, float64(e.hi-e.lo)/2
		for k := e.lo; k < e.hi; k++ {
			// Linear towards the neighbour, which is half way at the edge.
			t := (float64(k) + 0.5 - middle) / half / 2
			o := right
			if t < 0 {
				o, t = left, -t
			}
			weight := bandWeight[b] + t*(bandWeight[o]-bandWeight[b])
			h := height[b] + t*(height[o]-height[b])
			eps := epsilon[b] + t*(epsilon[o]-epsilon[b])
			xx := s.xx[k]
			if w.lined {
				xx = 10 * eps // the level
			}
			if d := h * (xx + eps); d > 0 {
				w.q[k] = complex(weight/d, 0)
			}
		}
	}
	for k, q := range w.q {
		w.spectrumX[k] = s.xy[k] * q
		w.spectrumY[k] = q * complex(s.xx[k], 0)
	}
	w.back.Inverse(w.r, w.spectrumX[:l.bins])
	w.back.Inverse(w.p, w.spectrumY[:l.bins])
	if peak := w.p[0]; peak > 0 {
		for i := range w.p {
			w.r[i] /= peak
			w.p[i] /= peak
		}
	}
	w.layOut()
}

// layOut sets w.residual to the lags in range of w.r.
func (w *Workspace) layOut() {
	// Lag −early stands at −early−latest−ramp in r.
	start := len(w.r) - (w.early+w.latest+w.ramp)/w.decimate
	n := copy(w.residual, w.r[start:])
	copy(w.residual[n:], w.r)
}

// medianHeight is the median of height over the bins that weigh.
func medianHeight(bands []band, height, weight []float64) float64 {
	total := 0.0
	for b, e := range bands {
		total += weight[b] * float64(e.hi-e.lo)
	}
	// The largest value that half of the weight reaches.
	best := 0.0
	for _, h := range height {
		reached := 0.0
		for b, e := range bands {
			if height[b] >= h {
				reached += weight[b] * float64(e.hi-e.lo)
			}
		}
		if reached >= total/2 {
			best = max(best, h)
		}
	}
	return best
}

// tonal is the largest share, 0…1, of the reference that lies at one frequency, once
// 3 dB an octave are added: 1 for a tone, whose blocks' edges, levelled band by band,
// would pass for broadband sound; noise, and made-up music and speech, stay under 0.3.
func (w *Workspace) tonal(s *long) float64 {
	// A tone leaks 1/(πd)² of its power into the d-th bin beside it.
	const half = 60
	lo, hi := w.bands[0].lo, w.bands[len(w.bands)-1].hi
	total, within, most := 0.0, 0.0, 0.0
	for k := lo; k < hi; k++ {
		v := s.xx[k] * float64(k)
		total += v
		within += v
		if out := k - 2*half - 1; out >= lo {
			within -= s.xx[out] * float64(out)
		}
		most = max(most, within)
	}
	return most / total
}

// reach is how many samples to each side an interpolation uses.
const reach = 16

// interpolation sets taps so that Σ taps[j]·x[i−reach+1+j] is x at i+fraction,
// for x without content near half the sample rate (Hann-windowed sinc).
func interpolation(taps []float64, fraction float64) {
	if fraction == 0 {
		clear(taps)
		taps[reach-1] = 1
		return
	}
	s := math.Sin(math.Pi*fraction) / math.Pi
	for j := range taps {
		x := fraction - float64(j-reach+1)
		v := s / x
		if (j-reach+1)&1 != 0 {
			v = -v
		}
		c := math.Cos(math.Pi * x / (2 * reach))
		taps[j] = v * c * c
	}
}

// at reads x at a fractional position.
func (w *Workspace) at(x []float64, position float64) float64 {
	i := int(math.Floor(position))
	interpolation(w.taps, position-float64(i))
	sum := 0.0
	for j, t := range w.taps {
		if k := i - reach + 1 + j; k >= 0 && k < len(x) {
			sum += t * x[k]
		}
	}
	return sum
}

// span is how far from an arrival its pulse is taken out, grid samples.
const span = 2304

// subtract takes amplitude times the pulse at position out of the residual.
func (w *Workspace) subtract(position, amplitude float64) {
	i0 := int(math.Floor(position))
	if position == float64(i0) {
		i0--
	}
	// p at m−fraction = p at (m−1)+(1−fraction)
	interpolation(w.taps, 1-(position-float64(i0)))
	n := len(w.p)
	for i := max(0, i0-span); i < min(len(w.residual), i0+span); i++ {
		base := i - i0 - 1 - reach + 1
		sum := 0.0
		if base >= 0 && base+2*reach <= n {
			for j, v := range w.p[base : base+2*reach] {
				sum += w.taps[j] * v
			}
		} else {
			for j, t := range w.taps {
				sum += t * w.p[(base+j+n)&(n-1)]
			}
		}
		w.residual[i] -= amplitude * sum
	}
}
