package stationarity

import (
	"fmt"
	"math"

	"github.com/mjibson/go-dsp/window"

	"plumbline/analyze/fft"
)

const (
	// windowS is how long a stretch is, about: long enough to hold most of a room's
	// answer to what is in it, short enough to see a draught move the sound.
	windowS = 0.68
	// lowHz…highHz is what stretches are compared in.
	lowHz, highHz = 40, 16000
)

// Stretches are the spectra of a reference and a microphone at different times of
// one take. Not for two goroutines at once. It keeps some 0.2 MB a stretch.
type Stretches struct {
	rateHz    float64
	size      int
	low, high int // bins low ≤ k < high are kept
	window    []float64
	plan      *fft.Complex
	list      []spectra
}

// spectra are those of one stretch, in single precision: there are many.
type spectra struct {
	atS  float64 // when its sound was
	x, y []complex64
}

// NewStretches wants a sample rate of 8000…192000 Hz.
func NewStretches(rateHz float64) (*Stretches, error) {
	if !(rateHz >= 8000 && rateHz <= 192000) {
		return nil, fmt.Errorf("sample rate %v Hz is not within 8000…192000 Hz", rateHz)
	}
	size := 1 << int(math.Round(math.Log2(windowS*rateHz)))
	spacing := rateHz / float64(size)
	return &Stretches{
		rateHz: rateHz, size: size, window: window.Hann(size + 1)[:size], plan: fft.NewComplex(size),
		low: int(lowHz / spacing), high: int(min(highHz, 0.4*rateHz) / spacing),
	}, nil
}

// Frames is how many samples a stretch has; half of that is a good step from one
// to the next.
func (s *Stretches) Frames() int { return s.size }

// Add takes Frames samples of the reference, the middle of which lies atS seconds
// from the start, and as many of the microphone, later by about the delay of the
// path. Stretches are added in the order of time. It panics on other lengths.
func (s *Stretches) Add(atS float64, ref, mic []float64) {
	if len(ref) != s.size || len(mic) != s.size {
		panic(fmt.Sprintf("stationarity: a stretch of %d and %d samples, not %d", len(ref), len(mic), s.size))
	}
	in := s.plan.Input()
	// What a stretch tells is about when its sound was, highs most of all.
	var energy, moment, last float64
	for i, w := range s.window {
		x := w * ref[i]
		in[i] = complex(x, w*mic[i])
		d := x - last
		last = x
		energy += d * d
		moment += d * d * float64(i)
	}
	if energy > 0 {
		atS += (moment/energy - float64(s.size)/2) / s.rateHz
	}
	z := s.plan.Transform()
	n := s.high - s.low
	both := make([]complex64, 2*n)
	e := spectra{atS: atS, x: both[:n], y: both[n:]}
	for i := range n {
		k := s.low + i
		x, y := fft.Split(z[k], z[s.size-k])
		e.x[i], e.y[i] = complex64(x), complex64(y)
	}
	s.list = append(s.list, e)
}

// omega is the angular frequency of bin low, and from bin to bin, rad/s.
func (s *Stretches) omega() (first, step float64) {
	step = 2 * math.Pi * s.rateHz / float64(s.size)
	return step * float64(s.low), step
}
