package linearity

import (
	"math"
	"math/bits"

	"plumbline/analyze/fft"
)

// Test gathers windows of a reference and one microphone.
type Test struct {
	rateHz  float64
	n, lead int
	plan    *fft.Real
	window  []float64
	x, y, v []float64
	fx, fy  []complex128
	fv      [len(inputs)][]complex128
	top     float64
	lo, hi  int   // bins
	edges   []int // of groups of bins

	count  float64
	xx, yy []float64
	xy     []complex128
	of     [len(inputs)]sums
	steps  []step // how much each stretch holds
}

type sums struct {
	vv     []float64
	xv, vy []complex128
}

// step is a short stretch of the reference.
type step struct {
	power float64
	taken [len(inputs)]float64 // Σ x·v
}

const (
	lowHz, highHz = 40, 12000
	leadS         = 0.5
	stepS         = 0.05
	mostSteps     = 4096
)

// New wants the sample rate in hertz.
func New(rateHz float64) *Test {
	n := 1 << bits.Len(uint(rateHz))
	t := &Test{rateHz: rateHz, n: n, lead: int(leadS * rateHz), plan: fft.NewReal(n), window: make([]float64, n),
		x: make([]float64, n), y: make([]float64, n), v: make([]float64, n),
		fx: make([]complex128, n/2+1), fy: make([]complex128, n/2+1),
		steps: make([]step, 0, mostSteps)}
	for i := range t.window {
		s := math.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
		t.window[i] = s * s
	}
	per := rateHz / float64(n)
	t.lo, t.hi = int(lowHz/per), int(highHz/per)
	for hz := float64(lowHz); hz < highHz; hz *= math.Pow(2, 1./groupsPerOctave) {
		if k := int(hz / per); len(t.edges) == 0 || k > t.edges[len(t.edges)-1]+8 {
			t.edges = append(t.edges, k)
		}
	}
	t.edges = append(t.edges, t.hi)
	m := t.hi
	t.xx, t.yy, t.xy = make([]float64, m), make([]float64, m), make([]complex128, m)
	for j := range t.of {
		t.fv[j] = make([]complex128, n/2+1)
		t.of[j] = sums{make([]float64, m), make([]complex128, m), make([]complex128, m)}
	}
	return t
}

// Window is how many samples of each channel Add takes.
func (t *Test) Window() int { return t.n }

// Lead is how many samples more of the reference Add wants in front.
func (t *Test) Lead() int { return t.lead }

// Reset begins anew; top is the largest magnitude of the reference in what is to come.
func (t *Test) Reset(top float64) {
	t.top, t.count = top, 0
	clear(t.xx)
	clear(t.yy)
	clear(t.xy)
	for j := range t.of {
		clear(t.of[j].vv)
		clear(t.of[j].xv)
		clear(t.of[j].vy)
	}
	t.steps = t.steps[:0]
}

// Add takes a window: Window samples of the microphone and Lead+Window of the
// reference that end at the same sound.
func (t *Test) Add(ref, mic []float64) {
	n := t.n
	x := ref[len(ref)-n:]
	for i, w := range t.window {
		t.x[i], t.y[i] = w*x[i], w*mic[i]
	}
	t.plan.ForwardPair(t.fx, t.fy, t.x, t.y)
	first := len(t.steps)
	per := int(stepS * t.rateHz)
	for i := n / 4; i+per <= n-n/4 && len(t.steps) < mostSteps; i += per {
		p := 0.0
		for _, v := range x[i : i+per] {
			p += v * v
		}
		t.steps = append(t.steps, step{power: p})
	}
	for j := range inputs {
		in := &inputs[j]
		in.take(t.v, ref, t.top, t.rateHz)
		for s := first; s < len(t.steps); s++ {
			i := n/4 + (s-first)*per
			p := 0.0
			for k := i; k < i+per; k++ {
				p += x[k] * t.v[k]
			}
			t.steps[s].taken[j] = p
		}
		for i, w := range t.window {
			t.v[i] *= w
		}
		t.plan.Forward(t.fv[j], t.v)
	}
	for k := t.lo; k < t.hi; k++ {
		x, y := t.fx[k], t.fy[k]
		t.xx[k] += real(x)*real(x) + imag(x)*imag(x)
		t.yy[k] += real(y)*real(y) + imag(y)*imag(y)
		t.xy[k] += cross(x, y)
	}
	for j := range t.of {
		o, f := &t.of[j], t.fv[j]
		for k := t.lo; k < t.hi; k++ {
			x, y, v := t.fx[k], t.fy[k], f[k]
			o.vv[k] += real(v)*real(v) + imag(v)*imag(v)
			o.xv[k] += cross(x, v)
			o.vy[k] += cross(v, y)
		}
	}
	t.count++
}

// cross is conj(a)·b.
func cross(a, b complex128) complex128 {
	return complex(real(a)*real(b)+imag(a)*imag(b), real(a)*imag(b)-imag(a)*real(b))
}

// Fit is what one input tells.
type Fit struct {
	Kind Kind
	// Strength is how much of the input the path takes away: 1 for Clipping exactly as
	// the input does, decibels of gain lost per decibel of level for Fast and Slow.
	Strength float64
	Z        float64 // Strength over its standard deviation
	// AverageDB is the gain re that at low level, as what is measured has it, and
	// VariesDB the standard deviation of the gain over stretches of 50 ms, weighted by
	// their power.
	AverageDB, VariesDB float64
}

// Thresholds. Clipping by 9 dB and compressors reach a Z of 20 to 1000; so do, with so
// few windows, single clean takes, but with gains that vary by hundredths of a decibel:
// of 300, judged after 5, 6, 7 and 8 windows, one in a hundred (own simulation). A gain
// that hardly varies, as a compressor's under steady noise, is that of the path.
const (
	leastZ        = 6.
	leastStrength = 0.12
	leastDB       = 0.55 // over the square root of the number of windows
)

// told says whether the fit, of so many windows, is that of a path that is not linear.
func (f Fit) told(windows float64) bool {
	effect := math.Abs(f.VariesDB)
	if f.Kind == Clipping {
		effect = math.Abs(f.AverageDB)
	}
	return f.Strength > leastStrength && f.Z > leastZ && effect > leastDB/math.Sqrt(windows)
}

// leastWindows are needed to tell anything.
const leastWindows = 5

// Judge is the fit that explains most, and whether the path is not linear, by
// enough to matter.
func (t *Test) Judge() (best Fit, notLinear bool) {
	if t.count < leastWindows {
		return best, false
	}
	for j := range t.of {
		if f := t.fit(j); f.told(t.count) && f.Z > best.Z {
			best, notLinear = f, true
		}
	}
	return best, notLinear
}

// groupsPerOctave: the scatter of the strength over so wide groups of bins tells its
// standard deviation (delete-one jackknife of a ratio). What the room makes of a note
// is one mistake, however many bins and windows it is in.
const groupsPerOctave = 6

func (t *Test) fit(j int) Fit {
	o := &t.of[j]
	f := Fit{Kind: inputs[j].kind}
	groups := len(t.edges) - 1
	var lacks, has [64]float64
	allLacks, allHas := 0.0, 0.0
	for g := range groups {
		lo, hi := t.edges[g], t.edges[g+1]
		rest, power := 0.0, 0.0
		for k := lo; k < hi; k++ {
			if t.xx[k] > 0 {
				rest += t.yy[k] - sq(t.xy[k])/t.xx[k]
				power += t.yy[k]
			}
		}
		bins := float64(hi - lo)
		noise := max(rest/bins/(t.count-1), 1e-9*power/bins/t.count) // of one window
		if noise == 0 {
			continue
		}
		for k := lo; k < hi; k++ {
			if t.xx[k] == 0 {
				continue
			}
			// What the reference explains of the input, and of the microphone, is left out.
			a, h := o.xv[k]/complex(t.xx[k], 0), t.xy[k]/complex(t.xx[k], 0)
			vv := o.vv[k] - sq(a)*t.xx[k]
			vy := o.vy[k] - cross(a, t.xy[k])
			lacks[g] -= real(cross(h, vy)) / noise
			has[g] += (sq(h) - noise/t.xx[k]) * vv / noise
		}
		allLacks += lacks[g]
		allHas += has[g]
	}
	if allHas <= 0 {
		return f
	}
	q, scatter := allLacks/allHas, 0.0
	for g := range groups {
		d := lacks[g] - q*has[g]
		scatter += d * d
	}
	var power, taken float64
	for _, s := range t.steps {
		power += s.power
		taken += s.taken[j]
	}
	if power == 0 || scatter == 0 {
		return f
	}
	// The path is found with what is taken away on average taken away.
	mean := taken / power
	if f.Strength = q / (1 + q*mean); !(f.Strength > 0) {
		return f
	}
	f.Z = allLacks / math.Sqrt(scatter)
	f.AverageDB = decibels(1 - f.Strength*mean)
	varies := 0.0
	for _, s := range t.steps {
		if s.power > 0 {
			d := s.taken[j]/s.power - mean
			varies += d * d * s.power
		}
	}
	f.VariesDB = 20 / math.Ln10 * f.Strength * math.Sqrt(varies/power)
	return f
}

func sq(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func decibels(gain float64) float64 { return 20 * math.Log10(max(gain, 1e-3)) }
