package signal

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"github.com/mjibson/go-dsp/fft"
)

// noise makes unit-RMS noise of the kind, endless or of a period.
func (c Config) noise() func() float64 {
	rate := float64(c.SampleRateHz)
	switch {
	case c.PeriodS > 0:
		x := c.period()
		at := -1
		return func() float64 {
			at = (at + 1) % len(x)
			return x[at]
		}
	case c.Kind == Pink:
		return newPink(rate, c.Seed).next
	case c.Kind == White:
		return newWhite(c.Seed).NormFloat64
	}
	low, high := c.band()
	return newBand(low, high, rate, c.Seed).next
}

// band is the octave or third-octave band of IEC 61260-1 that FrequencyHz lies in:
// mid 1000·10^(3x/10b), edges half a band away.
func (c Config) band() (lowHz, highHz float64) {
	share := 0.3 // lg of the ratio of the edges
	if c.Kind == ThirdOctave {
		share = 0.1
	}
	mid := math.Round(math.Log10(c.FrequencyHz/1000)/share) * share
	return 1000 * math.Pow(10, mid-share/2), 1000 * math.Pow(10, mid+share/2)
}

// pinkFirstLineHz is where the lines of periodic pink noise begin: what lies below is
// of no use and moves cones.
const pinkFirstLineHz = 10

// period is one period of noise, unit RMS: each line has exactly the power of the
// kind and a phase of its own by chance, so that it is as Gaussian as noise is. It is
// made at once by a transform of whatever length the period has.
func (c Config) period() []float64 {
	n := int(math.Round(c.PeriodS * float64(c.SampleRateHz)))
	spacing := float64(c.SampleRateHz) / float64(n)
	low, high := 0.0, math.Inf(1)
	if c.Kind == Pink {
		low = pinkFirstLineHz
	} else if c.Kind != White {
		low, high = c.band()
	}
	chance := newWhite(c.Seed)
	spectrum := make([]complex128, n)
	power := 0.0
	for k := 1; 2*k < n; k++ {
		phase := 2 * math.Pi * chance.Float64()
		f := float64(k) * spacing
		if f < low || f > high {
			continue
		}
		p := 1.0
		if c.Kind == Pink {
			p = 1 / float64(k)
		}
		spectrum[k] = cmplx.Rect(math.Sqrt(p), phase)
		spectrum[n-k] = cmplx.Conj(spectrum[k])
		power += 2 * p
	}
	x := make([]float64, n)
	scale := float64(n) / math.Sqrt(power) // IFFT divides by n
	for i, v := range fft.IFFT(spectrum) {
		x[i] = scale * real(v)
	}
	return x
}

// band is Gaussian noise of equal power a hertz between two edges: two independent
// noises behind a Butterworth low-pass of half the width, on a carrier in the middle
// and on the same a quarter turn later. Both edges are 3.01 dB down, and fall as
// steeply as the low-pass: within 0.4 dB of level up to 0.86 of half the width.
type band struct {
	white *rand.Rand
	gain  float64
	step  float64 // of the carrier, turns a sample
	phase float64
	a, b  lowPass
}

func newBand(lowHz, highHz, rateHz float64, seed uint64) *band {
	n := &band{white: newWhite(seed), gain: 1, step: (lowHz + highHz) / 2 / rateHz}
	corner := (highHz - lowHz) / 2
	n.a, n.b = newLowPass(corner, rateHz), newLowPass(corner, rateHz)
	ring := int(lowPassRing / corner * rateHz)
	power, probe := 0.0, newLowPass(corner, rateHz) // of filtered unit noise (Parseval)
	for i := range ring {
		x := 0.0
		if i == 0 {
			x = 1
		}
		y := probe.next(x)
		power += y * y
	}
	n.gain = 1 / math.Sqrt(power)
	for range ring { // what comes first is as loud as what follows
		n.a.next(n.white.NormFloat64())
		n.b.next(n.white.NormFloat64())
	}
	return n
}

func (n *band) next() float64 {
	sin, cos := math.Sincos(2 * math.Pi * n.phase)
	n.phase += n.step
	n.phase -= math.Floor(n.phase)
	return n.gain * (n.a.next(n.white.NormFloat64())*cos - n.b.next(n.white.NormFloat64())*sin)
}

const (
	lowPassPairs = 4 // order 8
	lowPassRing  = 12.0
)

// lowPass is a Butterworth low-pass of order 8, by the bilinear transform with its
// corner kept (Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7).
type lowPass struct {
	b, a1, a2, s1, s2 [lowPassPairs]float64
}

func newLowPass(cornerHz, rateHz float64) lowPass {
	var l lowPass
	w := math.Tan(math.Pi * cornerHz / rateHz)
	for k := range l.b {
		overQ := 2 * math.Cos(math.Pi*float64(2*k+1)/(4*lowPassPairs))
		d := 1 + overQ*w + w*w
		l.b[k], l.a1[k], l.a2[k] = w*w/d, 2*(w*w-1)/d, (1-overQ*w+w*w)/d
	}
	return l
}

func (l *lowPass) next(x float64) float64 {
	for k := range l.b {
		v := l.b[k] * x
		y := v + l.s1[k]
		l.s1[k] = 2*v - l.a1[k]*y + l.s2[k]
		l.s2[k] = v - l.a2[k]*y
		x = y
	}
	return x
}
