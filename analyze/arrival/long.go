package arrival

import "math"

// long are summed spectra of long blocks: each takes layout.block samples of
// the microphone and the reference around them as far as the range reaches, so
// that xy holds the plain linear correlation Σ x(n−τ)·y(n) of all that was
// added, for each delay in range, with nothing cut off by a window.
type long struct {
	xy        []complex128 // conj(X)·Y; lag 0 stands at −latest
	xx, yy    []float64
	sum, sum2 float64 // of the blocks' weights and of their squares
}

func newLong(l layout) long {
	return long{xy: make([]complex128, l.bins), xx: make([]float64, l.bins), yy: make([]float64, l.bins)}
}

func (s *long) reset() {
	clear(s.xy)
	clear(s.xx)
	clear(s.yy)
	s.sum, s.sum2 = 0, 0
}

// averages is how many whole blocks of one weight the sums are worth.
func (s *long) averages() float64 {
	if s.sum2 == 0 {
		return 0
	}
	return s.sum * s.sum / s.sum2
}

// copyFrom makes s what o is.
func (s *long) copyFrom(o *long) {
	copy(s.xy, o.xy)
	copy(s.xx, o.xx)
	copy(s.yy, o.yy)
	s.sum, s.sum2 = o.sum, o.sum2
}

// merge adds o.
func (s *long) merge(o *long) {
	for k, v := range o.xy {
		s.xy[k] += v
		s.xx[k] += o.xx[k]
		s.yy[k] += o.yy[k]
	}
	s.sum += o.sum
	s.sum2 += o.sum2
}

// add takes count microphone samples from sample number from on, after
// multiplying what is there by keep.
func (s *long) add(w *Workspace, h *history, from int64, count int, keep float64) {
	h.read(w.x, h.ref, from-int64(w.latest))
	clear(w.x[w.latest+count+w.early:])
	h.read(w.y[:count], h.mic, from)
	clear(w.y[count:])
	w.long.ForwardPair(w.spectrumX, w.spectrumY, w.x, w.y)
	if keep != 1 {
		k := complex(keep, 0)
		for i := range s.xy {
			s.xy[i] *= k
			s.xx[i] *= keep
			s.yy[i] *= keep
		}
		s.sum *= keep
		s.sum2 *= keep * keep
	}
	// The reference's spectrum is of more samples than the microphone's.
	fair := float64(count) / float64(w.latest+count+w.early)
	for k := range s.xy {
		x, y := w.spectrumX[k], w.spectrumY[k]
		s.xy[k] += complex(real(x)*real(y)+imag(x)*imag(y), real(x)*imag(y)-imag(x)*real(y))
		s.xx[k] += fair * (real(x)*real(x) + imag(x)*imag(x))
		s.yy[k] += real(y)*real(y) + imag(y)*imag(y)
	}
	weight := float64(count) / float64(w.block)
	s.sum += weight
	s.sum2 += weight * weight
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
	floor := math.Pow(10, -14) * s.sum * float64(l.block) * float64(l.n) / 2
	return x <= floor, y <= floor
}
