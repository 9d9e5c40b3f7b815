package programme

import (
	"math"
	"math/bits"
	"math/cmplx"
	"math/rand/v2"
	"sync"

	"plumbline/analyze/fft"
)

// Filter plays x through the transfer function h(f); the output has the length
// of x. What h rings beyond half a second after the end is cut off.
func Filter(x []float64, rate float64, h func(hz float64) complex128) []float64 {
	n := 1 << bits.Len(uint(len(x)+int(rate/2)))
	b := borrow(n)
	defer b.giveBack()
	in := make([]float64, n)
	copy(in, x)
	spectrum := b.plan.Forward(b.one, in)
	for k := range spectrum {
		spectrum[k] *= h(float64(k) * rate / float64(n))
	}
	return b.plan.Inverse(in, spectrum)[:len(x)]
}

// bench is what a filter works with.
type bench struct {
	plan     *fft.Real
	one, two []complex128
}

// benches are those that nobody uses now, by length: tests filter thousands of times.
var benches struct {
	sync.Mutex
	free map[int][]*bench
}

func borrow(n int) *bench {
	benches.Lock()
	defer benches.Unlock()
	if l := benches.free[n]; len(l) > 0 {
		benches.free[n] = l[:len(l)-1]
		return l[len(l)-1]
	}
	return &bench{fft.NewReal(n), make([]complex128, n/2+1), make([]complex128, n/2+1)}
}

func (b *bench) giveBack() {
	benches.Lock()
	defer benches.Unlock()
	if benches.free == nil {
		benches.free = map[int][]*bench{}
	}
	benches.free[b.plan.Len()] = append(benches.free[b.plan.Len()], b)
}

// Delay is Filter by a pure delay of any fraction of a sample.
func Delay(x []float64, rate, seconds float64) []float64 {
	return Filter(x, rate, func(f float64) complex128 {
		if 2*f >= rate {
			return complex(math.Cos(2*math.Pi*f*seconds), 0)
		}
		return cmplx.Rect(1, -2*math.Pi*f*seconds)
	})
}

// Convolve plays x through an impulse response; the output has the length of x.
func Convolve(x, impulse []float64) []float64 {
	n := 1 << bits.Len(uint(len(x)+len(impulse)))
	w := borrow(n)
	defer w.giveBack()
	a, b := make([]float64, n), make([]float64, n)
	copy(a, x)
	copy(b, impulse)
	x1, h := w.plan.Forward(w.one, a), w.plan.Forward(w.two, b)
	for k := range x1 {
		x1[k] *= h[k]
	}
	return w.plan.Inverse(a, x1)[:len(x)]
}

// AddNoise adds white noise to x (whose root mean square it measures) at the
// given signal-to-noise ratio, in place.
func AddNoise(r *rand.Rand, x []float64, snrDB float64) []float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	g := math.Sqrt(sum/float64(len(x))) * math.Pow(10, -snrDB/20)
	for i := range x {
		x[i] += g * r.NormFloat64()
	}
	return x
}

// Room is an impulse response: a direct sound of 1 at delayS (a fraction of a
// sample is kept), a few distinct early reflections, and a tail of noise that
// decays by 60 dB in rt60 seconds. The energy of all that follows the direct
// sound is directDB below it (direct-to-reverberant ratio).
func Room(r *rand.Rand, rate, delayS, rt60, directDB float64) []float64 {
	n := int((delayS + rt60*1.1) * rate)
	tail := make([]float64, n)
	gap := 0.002 + 0.006*r.Float64()
	begin := int((delayS + gap) * rate)
	decay := 3 * math.Ln10 / (rt60 * rate) // amplitude, per sample
	for i := begin; i < n; i++ {
		tail[i] = r.NormFloat64() * math.Exp(-decay*float64(i-begin))
	}
	// Early reflections: six walls, softer the later, duller than the direct sound.
	for range 6 {
		at := begin + int(rate*0.025*r.Float64())
		g := math.Exp(-decay*float64(at-begin)) * math.Sqrt(1/decay) * (0.1 + 0.25*r.Float64())
		for j, t := range []float64{0.15, 0.35, 0.35, 0.15} {
			if at+j < n {
				tail[at+j] += g * t
			}
		}
	}
	energy := 0.0
	for _, v := range tail {
		energy += v * v
	}
	g := math.Sqrt(math.Pow(10, -directDB/10) / energy)
	for i := range tail {
		tail[i] *= g
	}
	// The direct sound: a sinc, Hann-windowed to 64 samples.
	centre := delayS * rate
	for i := int(centre) - 31; i <= int(centre)+32; i++ {
		if d := float64(i) - centre; i >= 0 && i < n {
			w := math.Cos(math.Pi * d / 65)
			s := 1.0
			if d != 0 {
				s = math.Sin(math.Pi*d) / (math.Pi * d)
			}
			tail[i] += s * w * w
		}
	}
	return tail
}

// AddPinkNoise is AddNoise with noise of −3 dB an octave.
func AddPinkNoise(r *rand.Rand, rate float64, x []float64, snrDB float64) []float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	g := math.Sqrt(sum/float64(len(x))) * math.Pow(10, -snrDB/20)
	for i, v := range Pink(r, rate, len(x)) {
		x[i] += g * v
	}
	return x
}
