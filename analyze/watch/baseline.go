package watch

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
	"plumbline/analyze/setting"
)

// Config sets up a watch.
type Config struct {
	SampleRateHz float64 // 44100…192000
	TemperatureC float64 // of the air during the baseline; 0 is 20
	// Threshold of the cumulative sums; 0 is DefaultThreshold.
	Threshold float64
	// Stop is asked all along while a baseline is learnt: true ends that with ErrStopped.
	Stop func() bool
}

// ErrStopped says that Config.Stop did.
var ErrStopped = errors.New("learning the baseline was stopped")

func (c *Config) stopped() bool { return c.Stop != nil && c.Stop() }

// Loudspeaker is a component of the baseline that can change by itself. Ref and
// Mic are a recording of it alone at the same place; without one, the stretch
// of the baseline's impulse response from this arrival to the next stands in.
type Loudspeaker struct {
	Name   string
	DelayS float64
	// ElectricalS is the part of DelayS that a processor makes, as far as it is
	// known: it does not change with the air.
	ElectricalS float64
	Ref, Mic    []float64
}

// Baseline is what the room was like when all was well. It does not change;
// several watches may share it.
type Baseline struct {
	cfg     Config
	n, lead int
	low     int   // first usable bin
	high    int   // behind the last
	octaves []int // bounds of the octave bands, in bins, from low to high
	usable  []bool
	h       []complex128 // per bin, reference delayed by lead
	parts   []part
	alone   bool      // each part was recorded alone
	rest    []float64 // impulse response that belongs to no part
	level   float64   // mean |X|² of a step
	reverb  float64   // residual power per direct power
	noise   float64   // residual power that does not depend on the programme
	spread  []float64 // overdispersion, by octave
	quiet   []float64 // power of the room's noise in a segment, by octave
}

// part is a component as an impulse response that begins lead samples late.
type part struct {
	name                string
	delayS, electricalS float64
	h                   []float64
}

const (
	lowestHz  = 45 // below, a segment holds too few periods
	highestHz = 16000
	marginS   = 0.005 // of the impulse response in front of the first arrival
	// trusted is the coherence below which a bin of the baseline says nothing.
	trusted = 0.2
	// leastSpread is what overlap (1/6 of the amplitude between neighbouring Hann
	// segments) and leakage (2/3 and 1/6 between neighbouring bins) leave of the
	// independence of the summands: 1+2(4/9+1/36) times 1+2/36.
	leastSpread = 2.05
	// shortest is how many steps a baseline needs: about ten seconds.
	shortest = 20
)

// ErrShort says that a recording does not last long enough.
var ErrShort = errors.New("a baseline needs at least 12 s of programme")

// ErrSilent says that a recording has nothing in common with its reference.
var ErrSilent = errors.New("the microphone of this recording hears nothing of the reference: choose one with programme in it")

// Learn makes a baseline of a recording of everything playing; what one channel
// is longer than the other counts for nothing.
func Learn(cfg Config, ref, mic []float64, loudspeakers []Loudspeaker) (*Baseline, error) {
	if err := setting.CheckRate(cfg.SampleRateHz); err != nil {
		return nil, err
	}
	if len(loudspeakers) == 0 {
		return nil, errors.New("a baseline needs at least one loudspeaker or arrival")
	}
	if cfg.TemperatureC == 0 {
		cfg.TemperatureC = 20
	}
	if cfg.Threshold == 0 {
		cfg.Threshold = DefaultThreshold
	}
	first := loudspeakers[0].DelayS
	for _, l := range loudspeakers {
		first = min(first, l.DelayS)
	}
	b := &Baseline{
		cfg:  cfg,
		n:    segmentLength(cfg.SampleRateHz),
		lead: max(0, int((first-marginS)*cfg.SampleRateHz)),
	}
	b.low = b.bin(lowestHz)
	b.high = b.bin(math.Min(highestHz, 0.45*cfg.SampleRateHz))
	for hz := 63 / math.Sqrt2; b.bin(hz) < b.high; hz *= 2 {
		b.octaves = append(b.octaves, max(b.low, b.bin(hz)))
	}
	b.octaves = append(b.octaves, b.high)

	n := min(len(ref), len(mic))
	ref, mic = ref[:n], mic[:n]
	s, err := b.average(ref, mic)
	if err != nil {
		return nil, err
	}
	b.h, b.usable, b.level = s.response(), s.usable(), s.level(b.low, b.high)
	if !slices.Contains(b.usable[b.low:b.high], true) {
		return nil, ErrSilent
	}
	if err := b.split(loudspeakers); err != nil {
		return nil, err
	}
	if err := b.calibrate(ref, mic); err != nil {
		return nil, err
	}
	if b.quiet = b.unexplained(ref, mic); b.cfg.stopped() {
		return nil, ErrStopped
	}
	return b, nil
}

// hz is the frequency of a bin, bin the first bin at or above a frequency.
func (b *Baseline) hz(bin int) float64 { return float64(bin) * b.cfg.SampleRateHz / float64(b.n) }
func (b *Baseline) bin(hz float64) int {
	return int(math.Ceil(hz * float64(b.n) / b.cfg.SampleRateHz))
}

// sums are plain averages of spectra.
type sums struct {
	count  int // segments
	xx, yy []float64
	xy     []complex128
}

func (b *Baseline) average(ref, mic []float64) (*sums, error) {
	s := &sums{xx: make([]float64, b.n/2+1), yy: make([]float64, b.n/2+1), xy: make([]complex128, b.n/2+1)}
	seg := newSegments(b.cfg.SampleRateHz, b.lead)
	for n := min(len(ref), len(mic)); n > 0; n = min(len(ref), len(mic)) {
		k, whole := seg.feed(ref[:n], mic[:n])
		ref, mic = ref[k:], mic[k:]
		if !whole {
			continue
		}
		if b.cfg.stopped() {
			return nil, ErrStopped
		}
		s.count++
		for i, x := range seg.X {
			y := seg.Y[i]
			s.xx[i] += abs2(x)
			s.yy[i] += abs2(y)
			s.xy[i] += conj(x) * y
		}
	}
	if s.count < shortest*perStep {
		return nil, ErrShort
	}
	return s, nil
}

// measured is what they say of the path: bin k is point k.
func (s *sums) measured() *response.Spectra {
	return &response.Spectra{Gxx: s.xx, Gyy: s.yy, Gxy: s.xy}
}

// response is H; zero where the reference had no energy.
func (s *sums) response() []complex128 {
	h, m := make([]complex128, len(s.xy)), s.measured()
	for k, xx := range s.xx {
		if xx > 0 {
			h[k] = m.H(k)
		}
	}
	return h
}

// usable tells the bins in which the reference explains the microphone.
func (s *sums) usable() []bool {
	u, m := make([]bool, len(s.xy)), s.measured()
	for k := range u {
		u[k] = m.Coherence(k) > trusted
	}
	return u
}

func (s *sums) level(low, high int) float64 {
	var p float64
	for k := low; k < high; k++ {
		p += s.xx[k]
	}
	return p / float64(s.count) * perStep
}

// split takes the response apart into the loudspeakers and a rest.
func (b *Baseline) split(loudspeakers []Loudspeaker) error {
	plan := fft.NewReal(b.n)
	whole := plan.Inverse(make([]float64, b.n), b.h)
	b.rest = append([]float64(nil), whole...)
	b.alone = true
	for _, l := range loudspeakers {
		p := part{name: l.Name, delayS: l.DelayS, electricalS: l.ElectricalS, h: make([]float64, b.n)}
		if l.Ref != nil {
			s, err := b.average(l.Ref, l.Mic)
			if err != nil {
				return fmt.Errorf("%s alone: %w", l.Name, err)
			}
			plan.Inverse(p.h, s.response())
		} else {
			b.gate(p.h, whole, l.DelayS, loudspeakers)
			b.alone = false
		}
		for i, v := range p.h {
			b.rest[i] -= v
		}
		b.parts = append(b.parts, p)
	}
	return nil
}

// gate copies what is surely the arrival's own: from just before it to the next
// one, at most gateS, with a faded end. What follows is a mixture of everybody's
// reflections.
func (b *Baseline) gate(dst, whole []float64, delayS float64, all []Loudspeaker) {
	const beforeS, gateS, fadeS = 0.001, 0.008, 0.002
	rate := b.cfg.SampleRateHz
	end := delayS + gateS
	for _, l := range all {
		if l.DelayS > delayS {
			end = math.Min(end, l.DelayS-beforeS)
		}
	}
	from := max(0, int((delayS-beforeS)*rate)-b.lead)
	to := min(b.n, int(end*rate)-b.lead)
	fade := int(fadeS * rate)
	for i := from; i < to; i++ {
		dst[i] = whole[i] * math.Min(1, float64(to-i)/float64(fade))
	}
}

// calibrate replays the recording to learn how the residual behaves when
// nothing is wrong: what it owes to the programme and what to the room's noise,
// and how much more the sums spread than independent Gaussian summands would.
func (b *Baseline) calibrate(ref, mic []float64) error {
	octaves := len(b.octaves) - 1
	b.spread = make([]float64, octaves)
	for o := range b.spread {
		b.spread[o] = 1
	}
	w := New(b)
	var direct, residual []float64
	z2, expected := make([]float64, octaves), make([]float64, octaves)
	steps := 0
	w.onStep = func() {
		p, e := w.powers()
		direct, residual = append(direct, p), append(residual, e)
		if steps++; steps <= settleSteps {
			return
		}
		for o := range octaves {
			var u, q float64
			for k := b.octaves[o]; k < b.octaves[o+1]; k++ {
				g := w.weight[k]
				u += 2 * g * real(conj(w.now[k])*w.ex[k])
				q += g * abs2(w.now[k]) * w.xx[k]
			}
			z2[o] += u * u
			expected[o] += 2 * q
		}
	}
	for n := b.n; len(ref) > 0; ref, mic = ref[n:], mic[n:] {
		if b.cfg.stopped() {
			return ErrStopped
		}
		n = min(n, len(ref))
		w.Feed(ref[:n], mic[:n])
	}
	for o := range b.spread {
		b.spread[o] = leastSpread
		if expected[o] > 0 {
			b.spread[o] = math.Max(leastSpread, z2[o]/expected[o])
		}
	}
	b.reverb, b.noise = line(direct, residual)
	return nil
}

// line fits residual ≈ reverb·direct + noise by least squares, neither negative.
func line(x, y []float64) (slope, offset float64) {
	n := float64(len(x))
	var sx, sy, sxx, sxy float64
	for i := range x {
		sx, sy, sxx, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], sxy+x[i]*y[i]
	}
	if d := n*sxx - sx*sx; d > 0 {
		slope = math.Max(0, (n*sxy-sx*sy)/d)
	}
	if offset = (sy - slope*sx) / n; offset <= 0 {
		return sy / sx, 0
	}
	return slope, offset
}

func abs2(z complex128) float64    { return real(z)*real(z) + imag(z)*imag(z) }
func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }
