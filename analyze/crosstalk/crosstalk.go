// Package crosstalk tells whether one input hears the other electrically: a copy at
// no delay, far below what comes through the air. Sound needs 3 ms for a metre, a
// cable nothing.
//
//	windows ───► spectra ───► each channel's own path to the other at 0 ms,
//	                          weighed by where little else is heard ─► Leak
//
// A flat copy in noise of known spectrum is found best where the noise, here all else
// that the channel hears, is weak (generalised least squares; Knapp and Carter, IEEE
// Trans. ASSP-24, 1976, have the same weights for delays). So it is the bands that the
// loudspeaker does not play, or the programme does not have, that tell. Gains are
// linear, positive in phase. Nothing allocates once a Test is made. Not for two
// goroutines.
package crosstalk

import (
	"math"
	"math/bits"

	"plumbline/analyze/fft"
)

// Leak is what one input hears of the other at no delay. The zero Leak is none.
type Leak struct {
	Into     Channel // where it does not belong
	Gain     float64 // of the copy
	BelowDB  float64 // how far it is below what that channel hears from 20 Hz to 16 kHz
	evidence float64 // what the copy explains, in units of the noise
}

// Channel is one of the two.
type Channel int

// The channels; None of them leaks.
const (
	None Channel = iota
	Microphone
	Reference
)

// Take takes the leak out of both channels, in place.
func (l Leak) Take(ref, mic []float64) {
	switch l.Into {
	case Microphone:
		for i, x := range ref {
			mic[i] -= l.Gain * x
		}
	case Reference:
		for i, y := range mic {
			ref[i] -= l.Gain * y
		}
	}
}

const (
	// alone is by how many times the copy must rise above the largest within aloneS that
	// is not of its own shape, and standsOut by how many times above the root mean square
	// of such lags on the side where no sound comes from. Backwards that side is not
	// empty: there the room is undone, which takes as long as it rings. Of 600 clean
	// takes (own simulation) none is more than 1.5 alone and stands out by more than 3.
	alone         = 2.0
	standsOut     = 5.0
	standsOutBack = 2.0
	aloneS        = 0.0006
	withinS       = 0.00005 // sound goes 17 mm
	lagsS         = 0.02
	// leastBelowDB: what is louder is what the channel is there for.
	leastBelowDB = 10.0
	leastWindows = 3
	lowHz        = 20
	highHz       = 20000
)

// Test gathers windows of a reference and one microphone.
type Test struct {
	rateHz float64
	n      int
	plan   *fft.Real
	window []float64
	x, y   []float64
	fx, fy []complex128
	bands  []int // edges, bins

	count  float64
	xx, yy []float64
	xy     []complex128
}

// New wants the sample rate in hertz.
func New(rateHz float64) *Test {
	n := 1 << bits.Len(uint(rateHz/2))
	t := &Test{
		rateHz: rateHz, n: n, plan: fft.NewReal(n), window: make([]float64, n), x: make([]float64, n), y: make([]float64, n),
		fx: make([]complex128, n/2+1), fy: make([]complex128, n/2+1),
		xx: make([]float64, n/2+1), yy: make([]float64, n/2+1), xy: make([]complex128, n/2+1),
	}
	for i := range t.window {
		s := math.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
		t.window[i] = s * s
	}
	for hz := float64(lowHz); hz <= highHz; hz *= math.Cbrt(2) {
		t.bands = append(t.bands, int(hz*float64(n)/rateHz))
	}
	return t
}

// Window is how many samples Add takes.
func (t *Test) Window() int { return t.n }

// Reset begins anew.
func (t *Test) Reset() {
	t.count = 0
	clear(t.xx)
	clear(t.yy)
	clear(t.xy)
}

// Add takes a window of both channels, of the same moment.
func (t *Test) Add(ref, mic []float64) {
	for i, w := range t.window {
		t.x[i], t.y[i] = w*ref[i], w*mic[i]
	}
	t.plan.ForwardPair(t.fx, t.fy, t.x, t.y)
	for k, x := range t.fx {
		y := t.fy[k]
		t.xx[k] += real(x)*real(x) + imag(x)*imag(x)
		t.yy[k] += real(y)*real(y) + imag(y)*imag(y)
		t.xy[k] += complex(real(x)*real(y)+imag(x)*imag(y), real(x)*imag(y)-imag(x)*real(y))
	}
	t.count++
}

// Judge is what leaks, the zero Leak if nothing does as far as can be told.
func (t *Test) Judge() Leak {
	if t.count < leastWindows {
		return Leak{}
	}
	into := t.look(t.xx, t.yy, Microphone)
	back := t.look(t.yy, t.xx, Reference)
	if back.evidence > into.evidence {
		return back
	}
	return into
}

// look asks whether what from holds is in what to holds, at no delay.
func (t *Test) look(from, to []float64, name Channel) Leak {
	spectrum, shape := t.fx, t.fy // scratch
	clear(spectrum)
	clear(shape)
	var weight, sent, heard float64
	for b := range len(t.bands) - 1 {
		lo, hi := t.bands[b], t.bands[b+1]
		var s, h float64
		for k := lo; k < hi; k++ {
			s += from[k]
			h += to[k]
		}
		sent += s
		heard += h
		if s == 0 || h == 0 {
			continue
		}
		bins := float64(hi - lo)
		// The path, bin by bin, weighed by how well a flat one can be told here.
		g, floor := s/h, 0.03*s/bins
		for k := lo; k < hi; k++ {
			w := g / (from[k] + floor)
			spectrum[k] = t.xy[k] * complex(w, 0)
			shape[k] = complex(w*from[k], 0)
			weight += w * from[k]
		}
	}
	if weight == 0 {
		return Leak{}
	}
	r, own := t.plan.Inverse(t.x, spectrum), t.plan.Inverse(t.y, shape)
	lag := func(i int) float64 { return math.Abs(r[(i+t.n)%t.n]) }
	at, best := 0, 0.0
	within := int(withinS * t.rateHz)
	for i := -within; i <= within; i++ {
		if v := lag(i); v > best {
			at, best = i, v
		}
	}
	half := float64(t.n) / 2 // the inverse transform divides by it
	gain := r[(at+t.n)%t.n] * half / weight
	// A copy in few bands is broad, and what is beside it its own: that is taken off.
	share := r[(at+t.n)%t.n] / own[0]
	for i := range r {
		r[(i+at+t.n)%t.n] -= share * own[i]
	}
	beside := 0.0
	for i := 2*within + 1; i < int(aloneS*t.rateHz); i++ {
		beside = max(beside, lag(at+i), lag(at-i))
	}
	// Before the sound can have come; behind it for the other way round.
	sum, n := 0.0, 0
	side, least := -1, standsOut
	if name == Reference {
		side, least = 1, standsOutBack
	}
	for i := int(aloneS * t.rateHz); i < int(lagsS*t.rateHz); i++ {
		v := lag(side * i)
		sum += v * v
		n++
	}
	floor := math.Sqrt(sum / float64(n))
	below := -10 * math.Log10(gain*gain*sent/heard)
	l := Leak{Into: name, Gain: gain, BelowDB: below, evidence: gain * gain * weight}
	if at != 0 || !(best > least*floor && best > alone*beside && below > leastBelowDB) {
		return Leak{}
	}
	return l
}
