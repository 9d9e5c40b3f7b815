package watch

import (
	"math"

	"github.com/mjibson/go-dsp/window"

	"plumbline/analyze/fft"
)

// The time of one segment and how many of them make a step. Segments overlap
// by half.
const (
	segmentS = 0.34
	perStep  = 3
)

// segments cuts two channels into windowed spectra: X of the reference,
// delayed by lead samples, and Y of the microphone.
type segments struct {
	n      int // samples, a power of two
	hop    int
	lead   int
	window []float64
	plan   *fft.Real
	ref    []float64 // newest lead+n samples
	mic    []float64 // newest n samples
	due    int       // samples until the next segment is whole
	bufX   []float64
	bufY   []float64
	X, Y   []complex128 // n/2+1
	peak   float64      // of the microphone's segment
}

func segmentLength(rate float64) int {
	return 1 << int(math.Round(math.Log2(segmentS*rate)))
}

func newSegments(rate float64, lead int) *segments {
	n := segmentLength(rate)
	return &segments{
		n: n, hop: n / 2, lead: lead,
		window: window.Hann(n + 1)[:n],
		plan:   fft.NewReal(n),
		ref:    make([]float64, lead+n),
		mic:    make([]float64, n),
		due:    lead + n,
		bufX:   make([]float64, n),
		bufY:   make([]float64, n),
		X:      make([]complex128, n/2+1),
		Y:      make([]complex128, n/2+1),
	}
}

// stepS is the time between two steps, seconds.
func (s *segments) stepS(rate float64) float64 { return float64(s.hop*perStep) / rate }

// clear says that what comes next does not follow on what was.
func (s *segments) clear() { s.due = s.lead + s.n }

// feed takes as many samples as go into the next segment, or all; it reports
// how many, and whether X and Y are a new segment.
func (s *segments) feed(ref, mic []float64) (taken int, whole bool) {
	k := min(len(ref), s.due, s.hop)
	push(s.ref, ref[:k])
	push(s.mic, mic[:k])
	s.due -= k
	if s.due > 0 {
		return k, false
	}
	s.due = s.hop
	s.peak = 0
	for i, w := range s.window {
		s.bufX[i] = s.ref[i] * w
		y := s.mic[i]
		s.bufY[i] = y * w
		s.peak = max(s.peak, math.Abs(y))
	}
	s.plan.ForwardPair(s.X, s.Y, s.bufX, s.bufY)
	return k, true
}

// push shifts x into the end of buf.
func push(buf, x []float64) {
	copy(buf, buf[len(x):])
	copy(buf[len(buf)-len(x):], x)
}
