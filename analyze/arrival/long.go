package arrival

import "math"

// long are summed spectra of long blocks: each takes layout.block samples of
// the microphone and the reference around them as far as the range reaches, so
// that xy holds the plain linear correlation Σ x(n−τ)·y(n) of all that was
// added, for each delay in range, with nothing cut off by a window. Blocks fade
// into each other, so that their edges do not correlate.
type long struct {
	xy      []complex128 // conj(X)·Y; lag 0 stands at −(latest+ramp)
	xx, yy  []float64
	samples float64 // microphone samples in it, weighted
	squares float64 // Σ (weight·samples)² of the blocks
	begun   float64 // how many beginnings, weighted: there the reference's past is not known
}

func newLong(l layout) long {
	return long{xy: make([]complex128, l.bins), xx: make([]float64, l.bins), yy: make([]float64, l.bins)}
}

func (s *long) reset() {
	clear(s.xy)
	clear(s.xx)
	clear(s.yy)
	s.samples, s.squares, s.begun = 0, 0, 0
}

// averages is how many whole blocks of one weight the sums are worth.
func (s *long) averages() float64 {
	if s.squares == 0 {
		return 0
	}
	return s.samples * s.samples / s.squares
}

// copyFrom makes s what o is.
func (s *long) copyFrom(o *long) {
	copy(s.xy, o.xy)
	copy(s.xx, o.xx)
	copy(s.yy, o.yy)
	s.samples, s.squares, s.begun = o.samples, o.squares, o.begun
}

// add takes count microphone samples from sample number from on, after
// multiplying what is there by keep. The samples are faded in over a ramp before
// from+ramp and out over a ramp after from+count.
func (s *long) add(w *Workspace, h *history, from int64, count int, keep float64) {
	// The microphone faded: from … from+count+ramp.
	length := count + w.ramp
	h.read(w.y[:length], h.mic, from)
	clear(w.y[length:])
	w.fadeEnds(w.y[:length])
	// The reference: the range and a ramp more on both sides.
	reach := w.latest + w.ramp
	span := reach + length + w.early + w.ramp
	h.read(w.x[:span], h.ref, from-int64(reach))
	clear(w.x[span:])
	// Where the recording begins or ends within the range it is faded as well.
	first := max(int(h.oldest()-from)+reach, 0)
	last := min(int(h.end-from)+reach, span)
	w.fadeEnds(w.x[first:last])
	w.long.ForwardPair(w.spectrumX, w.spectrumY, w.x, w.y)
	if keep != 1 {
		k := complex(keep, 0)
		for i := range s.xy {
			s.xy[i] *= k
			s.xx[i] *= keep
			s.yy[i] *= keep
		}
		s.samples *= keep
		s.squares *= keep * keep
		s.begun *= keep
	}
	// The reference's spectrum is of more samples than the microphone's.
	fair := float64(count) / float64(last-first-w.ramp)
	for k := range s.xy {
		x, y := w.spectrumX[k], w.spectrumY[k]
		s.xy[k] += complex(real(x)*real(y)+imag(x)*imag(y), real(x)*imag(y)-imag(x)*real(y))
		s.xx[k] += fair * (real(x)*real(x) + imag(x)*imag(x))
		s.yy[k] += real(y)*real(y) + imag(y)*imag(y)
	}
	n := float64(count)
	s.samples += n
	s.squares += n * n
	if from <= h.oldest() {
		s.begun++
	}
}

// merge adds o after multiplying what is there by keep.
func (s *long) merge(o *long, keep float64) {
	for k, v := range o.xy {
		s.xy[k] = s.xy[k]*complex(keep, 0) + v
		s.xx[k] = s.xx[k]*keep + o.xx[k]
		s.yy[k] = s.yy[k]*keep + o.yy[k]
	}
	s.samples = s.samples*keep + o.samples
	s.squares = s.squares*keep*keep + o.squares
	s.begun = s.begun*keep + o.begun
}

func (w *Workspace) fadeEnds(x []float64) {
	for i, g := range w.fade {
		x[i] *= g
		x[len(x)-1-i] *= g
	}
}

// overlap is the share of the samples that an arrival of this delay can be seen in.
func (s *long) overlap(delay float64) float64 {
	return max(1-s.begun*max(delay, 0)/max(s.samples, 1), 0.25)
}

// silent says which channel, if any, holds nothing: less than −140 dB re full scale.
func (s *long) silent(l layout) (reference, microphone bool) {
	var x, y float64
	for _, b := range l.bands {
		for k := b.lo; k < b.hi; k++ {
			x += s.xx[k]
			y += s.yy[k]
		}
	}
	floor := math.Pow(10, -14) * s.samples * float64(l.n) / 2
	return x <= floor, y <= floor
}
