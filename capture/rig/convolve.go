package rig

import (
	"github.com/mjibson/go-dsp/fft"

	running "plumbline/analyze/fft"
)

// quiet is below what a partition's impulse response may be to be left out.
const quiet = 1e-8

// filter is an impulse response in partitions of one block each, as spectra of
// two blocks; nil is silence.
type filter [][]complex128

// history holds the spectra of the programme's newest blocks. Convolution with
// a filter is overlap-save in uniform partitions (Stockham 1966; Kulp, AES 85th
// Convention, 1988): all microphones and both sides of a cross-fade share the
// one forward transform of a block.
//
// While it plays it must not allocate, which go-dsp does for each transform: the
// blocks take a plan of analyze/fft, all that is made once a scene takes go-dsp.
type history struct {
	block   int
	plan    *running.Real  // of push and convolve alone: partition runs beside them
	spectra [][]complex128 // half spectra, a ring
	newest  int
	recent  []float64    // the newest block behind the one before
	sum     []complex128 // half spectrum
	work    []float64    // two blocks
}

func newHistory(block, partitions int) *history {
	h := &history{
		block:   block,
		plan:    running.NewReal(2 * block),
		spectra: make([][]complex128, partitions),
		recent:  make([]float64, 2*block),
		sum:     make([]complex128, block+1),
		work:    make([]float64, 2*block),
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
		loud := false
		for _, v := range part {
			loud = loud || v > quiet || v < -quiet
		}
		if !loud {
			f = append(f, nil)
			continue
		}
		x := make([]float64, 2*h.block)
		copy(x, part)
		f = append(f, fft.FFTReal(x)[:h.block+1])
	}
	return f
}

// push takes the next block of programme.
func (h *history) push(x []float64) {
	copy(h.recent, h.recent[h.block:])
	copy(h.recent[h.block:], x)
	h.newest = (h.newest + 1) % len(h.spectra)
	h.plan.Forward(h.spectra[h.newest], h.recent)
}

// convolve writes the newest block through a filter.
func (h *history) convolve(dst []float64, f filter) {
	acc := h.sum
	clear(acc)
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
	copy(dst, h.plan.Inverse(h.work, acc)[h.block:])
}
