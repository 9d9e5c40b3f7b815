package rig

import "plumbline/capture/internal/fourier"

// quiet is below what a partition's impulse response may be to be left out.
const quiet = 1e-8

// filter is an impulse response in partitions of one block each, as spectra of
// two blocks; nil is silence.
type filter [][]complex128

// history holds the spectra of the programme's newest blocks. Convolution with
// a filter is overlap-save in uniform partitions (Stockham 1966; Kulp, AES 85th
// Convention, 1988): all microphones and both sides of a cross-fade share the
// one forward transform of a block.
type history struct {
	plan    *fourier.Plan
	block   int
	spectra [][]complex128 // half spectra, a ring
	newest  int
	last    []float64 // the block before
	work    []complex128
}

func newHistory(block, partitions int) *history {
	h := &history{
		plan:    fourier.New(2 * block),
		block:   block,
		spectra: make([][]complex128, partitions),
		last:    make([]float64, block),
		work:    make([]complex128, 2*block),
	}
	for i := range h.spectra {
		h.spectra[i] = make([]complex128, block+1)
	}
	return h
}

// partition cuts an impulse response; what is longer than the history is lost.
func (h *history) partition(impulse []float64) filter {
	var f filter
	for len(impulse) > 0 && len(f) < len(h.spectra) {
		part := impulse[:min(h.block, len(impulse))]
		impulse = impulse[len(part):]
		x := make([]complex128, 2*h.block)
		loud := false
		for i, v := range part {
			x[i] = complex(v, 0)
			loud = loud || v > quiet || v < -quiet
		}
		if !loud {
			f = append(f, nil)
			continue
		}
		h.plan.Forward(x)
		f = append(f, x[:h.block+1])
	}
	return f
}

// push takes the next block of programme.
func (h *history) push(x []float64) {
	for i, v := range x {
		h.work[i] = complex(h.last[i], 0)
		h.work[h.block+i] = complex(v, 0)
	}
	copy(h.last, x)
	h.plan.Forward(h.work)
	h.newest = (h.newest + 1) % len(h.spectra)
	copy(h.spectra[h.newest], h.work)
}

// convolve writes the newest block through a filter.
func (h *history) convolve(dst []float64, f filter) {
	y := h.work
	clear(y)
	acc := y[:h.block+1]
	for p, part := range f {
		if part == nil {
			continue
		}
		at := h.newest - p
		if at < 0 {
			at += len(h.spectra)
		}
		x := h.spectra[at][:len(acc)]
		part = part[:len(acc)]
		for k, v := range x {
			acc[k] += v * part[k]
		}
	}
	for k := 1; k < h.block; k++ {
		y[2*h.block-k] = complex(real(y[k]), -imag(y[k]))
	}
	h.plan.Inverse(y)
	for i := range dst {
		dst[i] = real(y[h.block+i])
	}
}
