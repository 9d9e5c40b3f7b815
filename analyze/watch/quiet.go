package watch

import "math"

// The noise of the room is what a microphone hears and no part of the programme
// explains: neither what sounds now nor what sounded before it and still rings. It is
// the conditioned spectrum of the multiple coherence (Bendat and Piersol, Random Data,
// 4th ed., ch. 7), with the reference's newest segments as inputs, each with its
// neighbouring bins, since a sound that arrives late is windowed otherwise than its
// reference.
const (
	ringing = 5 // segments of the reference that count as inputs: 0.7 s of reverberation
	inputs  = 3 * ringing
	// every so many bins are looked at: noise is smooth.
	everyBin = 4
)

// conditioned are the normal equations of one bin, their lower triangle by rows.
type conditioned struct {
	bin int
	xx  [inputs * (inputs + 1) / 2]complex128 // Σ X_i X_j*
	xy  [inputs]complex128                    // Σ Y X_i*
	yy  float64                               // Σ|Y|²
}

// unexplained is the room's noise by octave: power of a segment, summed over bins. What
// rings longer than 0.7 s is still in it: there is less noise than that, not more.
func (b *Baseline) unexplained(ref, mic []float64) []float64 {
	var list []conditioned
	for k := b.low + 1; k < b.high-1; k += everyBin {
		list = append(list, conditioned{bin: k})
	}
	seg := newSegments(b.cfg.SampleRateHz, b.lead)
	var newest [ringing][]complex128
	for i := range newest {
		newest[i] = make([]complex128, b.n/2+1)
	}
	segments := 0
	for n := min(len(ref), len(mic)); n > 0; n = min(len(ref), len(mic)) {
		k, whole := seg.feed(ref[:n], mic[:n])
		ref, mic = ref[k:], mic[k:]
		if !whole {
			continue
		}
		if b.cfg.stopped() {
			return nil
		}
		oldest := newest[ringing-1]
		copy(newest[1:], newest[:ringing-1])
		newest[0] = oldest
		copy(oldest, seg.X)
		if segments++; segments < ringing {
			continue
		}
		for i := range list {
			c := &list[i]
			var x [inputs]complex128
			for r, of := range newest {
				copy(x[3*r:], of[c.bin-1:c.bin+2])
			}
			c.add(&x, seg.Y[c.bin])
		}
	}
	free := float64(segments - ringing + 1 - inputs)
	power := make([]float64, len(b.octaves)-1)
	for o := range power {
		n := 0.0
		for i := range list {
			if k := list[i].bin; k >= b.octaves[o] && k < b.octaves[o+1] {
				power[o] += list[i].left() / free
				n++
			}
		}
		if n > 0 {
			power[o] *= float64(b.octaves[o+1]-b.octaves[o]) / n
		}
	}
	return power
}

func (c *conditioned) add(x *[inputs]complex128, y complex128) {
	n := 0
	for i, v := range x {
		for _, u := range x[:i+1] {
			c.xx[n] += v * conj(u)
			n++
		}
		c.xy[i] += y * conj(v)
	}
	c.yy += abs2(y)
}

// left is Σ|Y|² less what the inputs explain: with the Cholesky factor L of their
// cross spectra, conjugated, and Lz = Σ Y X*, that is |z|².
func (c *conditioned) left() float64 {
	var l [inputs * (inputs + 1) / 2]complex128
	var z [inputs]complex128
	row := func(i int) int { return i * (i + 1) / 2 }
	rest := c.yy
	for i := range inputs {
		for j := 0; j <= i; j++ {
			s := conj(c.xx[row(i)+j])
			for k := range j {
				s -= l[row(i)+k] * conj(l[row(j)+k])
			}
			if j < i {
				if d := l[row(j)+j]; d != 0 {
					l[row(i)+j] = s / d
				}
				continue
			}
			// What is left of an input that the others hold already says nothing.
			if real(s) > 1e-9*real(c.xx[row(i)+i]) {
				l[row(i)+i] = complex(math.Sqrt(real(s)), 0)
			}
		}
		if d := l[row(i)+i]; d != 0 {
			s := c.xy[i]
			for k := range i {
				s -= l[row(i)+k] * z[k]
			}
			z[i] = s / d
			rest -= abs2(z[i])
		}
	}
	return max(0, rest)
}
