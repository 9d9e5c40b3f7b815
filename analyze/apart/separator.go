package apart

import (
	"fmt"
	"math"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
)

// windowS is how long the windows are that the prediction is learnt with, about: long
// enough for what lies between two references, or between a loudspeaker and a
// microphone, to be a small part of one.
const windowS = 1.365

// Separator learns how the references of a take go together, and hands out each by
// itself with what one microphone hears of it.
type Separator struct {
	joint      *response.Joint
	references int
	window     int // samples
	plan       *fft.Real
	responses  [][]complex128
}

// New is for so many references, 2…response.MaxReferences.
func New(rateHz float64, references int) (*Separator, error) {
	window := 1 << int(math.Round(math.Log2(windowS*rateHz)))
	j, err := response.NewJoint(response.Config{SampleRateHz: rateHz, Window: window, Overlap: 0.5, EverySegment: true}, references)
	if err != nil {
		return nil, fmt.Errorf("tell references apart: %w", err)
	}
	s := &Separator{joint: j, references: references, window: window, plan: fft.NewReal(2 * window)}
	for range references {
		s.responses = append(s.responses, make([]complex128, window/2+1))
	}
	return s, nil
}

// Learn takes the next samples of the references and the microphone, as long.
func (s *Separator) Learn(refs [][]float64, mic []float64) { s.joint.Feed(refs, mic) }

// Break says that the next samples do not follow on the last.
func (s *Separator) Break() { s.joint.Break() }

// filters are the spectra, of two windows, of what predicts a channel.
type filters [][]complex128

// Path is reference p by itself. Each path may have a goroutine of its own.
type Path struct {
	p, window    int
	plan         *fft.Real
	own, heard   filters
	sum, segment []complex128
	work         []float64
	power, left  float64 // of the reference, and of its own
}

// Path makes that of reference p (from 0) of what was learnt.
func (s *Separator) Path(p int) *Path {
	return &Path{
		p: p, window: s.window, plan: fft.NewReal(2 * s.window), own: s.filters(p, false), heard: s.filters(p, true),
		sum: make([]complex128, s.window+1), segment: make([]complex128, s.window+1), work: make([]float64, 2*s.window),
	}
}

// filters lets a prediction reach half a window before and behind, less and less from a
// quarter on: chance has all lags alike, and what one reference has of another few.
func (s *Separator) filters(p int, microphone bool) filters {
	s.joint.Predict(s.responses, p, microphone)
	short, x := fft.NewReal(s.window), make([]float64, s.window)
	f := make(filters, s.references)
	for r := range f {
		if r == p {
			continue
		}
		short.Inverse(x, s.responses[r])
		taps := make([]float64, 2*s.window)
		for lag := -s.window / 2; lag < s.window/2; lag++ {
			v := x[(lag+s.window)%s.window]
			if beyond := 4*math.Abs(float64(lag))/float64(s.window) - 1; beyond > 0 {
				v *= 0.5 + 0.5*math.Cos(math.Pi*beyond)
			}
			taps[(lag+2*s.window)%(2*s.window)] = v
		}
		f[r] = s.plan.Forward(make([]complex128, s.window+1), taps)
	}
	return f
}

// Separate is what reference p has of its own in a stretch of a take, and what the
// microphone hears that the others do not explain. All are of equal length; what
// lies outside of the stretch is silence.
func (t *Path) Separate(refs [][]float64, mic []float64) (own, heard []float64) {
	own, heard = append([]float64(nil), refs[t.p]...), append([]float64(nil), mic...)
	t.less(own, refs, t.own)
	for i, v := range refs[t.p] {
		t.power += v * v
		t.left += own[i] * own[i]
	}
	t.less(heard, refs, t.heard)
	return own, heard
}

// Tells says whether the reference had enough of its own in what was separated.
func (t *Path) Tells() bool { return t.left >= leastOwn*t.power && t.power > 0 }

// less takes from x what the filters predict of it, by overlap-save.
func (t *Path) less(x []float64, refs [][]float64, f filters) {
	n := t.window
	for at := 0; at < len(x); at += n {
		clear(t.sum)
		for r, filter := range f {
			if filter == nil {
				continue
			}
			clear(t.work)
			from, to := max(0, at-n/2), min(len(x), at+n+n/2)
			copy(t.work[from-at+n/2:], refs[r][from:to])
			t.plan.Forward(t.segment, t.work)
			for k, v := range t.segment {
				t.sum[k] += v * filter[k]
			}
		}
		t.plan.Inverse(t.work, t.sum)
		for i := range min(n, len(x)-at) {
			x[at+i] -= t.work[n/2+i]
		}
	}
}
