package programme

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Periodic is pink noise of that many samples over and over, as test signals are.
// Root mean square 1.
func Periodic(r *rand.Rand, rate float64, n, period int) []float64 {
	// The noise of a second round is as at home before it as behind it.
	spectrum := Pink(r, rate, 2*period)
	x := make([]float64, n)
	for i := range x {
		k := i % period
		// A fade from the second round into the first, of constant power: no click.
		s, c := math.Sincos(math.Pi / 2 * float64(k) / float64(period))
		x[i] = s*spectrum[k] + c*spectrum[period+k]
	}
	return Normalise(x)
}

// Tones is sines at those frequencies, of random phases and levels within 20 dB;
// swing of more than 0 lets each go up and down by that share, once in 1…5 s. Root
// mean square 1.
func Tones(r *rand.Rand, rate float64, n int, hz []float64, swing float64) []float64 {
	x := make([]float64, n)
	for _, f := range hz {
		gain, phase := math.Pow(10, -r.Float64()), 2*math.Pi*r.Float64()
		every, at := 1+4*r.Float64(), 2*math.Pi*r.Float64()
		for i := range x {
			t := float64(i) / rate
			x[i] += gain * (1 + swing*math.Sin(at+2*math.Pi*t/every)) * math.Sin(phase+2*math.Pi*f*t)
		}
	}
	return Normalise(x)
}

// Hum is the mains: 50 or 60 Hz and what comes with it, softer the higher. Root
// mean square 1.
func Hum(r *rand.Rand, rate float64, n int) []float64 {
	x := make([]float64, n)
	mains := 50 + 10*float64(r.IntN(2))
	mains *= 1 + 2e-4*r.NormFloat64()
	for h := 1; h <= 12; h++ {
		gain, phase := math.Pow(float64(h), -1.5)*(0.3+r.Float64()), 2*math.Pi*r.Float64()
		if h%2 == 0 {
			gain *= 0.3
		}
		for i := range x {
			x[i] += gain * math.Sin(phase+2*math.Pi*mains*float64(h)*float64(i)/rate)
		}
	}
	return Normalise(x)
}

// Square is a tone that is driven hard: odd harmonics alone. Root mean square 1.
func Square(r *rand.Rand, rate float64, n int, hz, drive float64) []float64 {
	x := make([]float64, n)
	phase := 2 * math.Pi * r.Float64()
	for h := 1; hz*float64(h) < 0.45*rate && h < 400; h += 2 {
		// Of a sine that is driven into tanh: between a sine and a square.
		gain := 1 / float64(h) * math.Exp(-float64(h-1)/drive)
		for i := range x {
			x[i] += gain * math.Sin(float64(h)*(phase+2*math.Pi*hz*float64(i)/rate))
		}
	}
	return Normalise(x)
}

// Band is noise of an octave's part around a frequency, by Butterworth filters of
// sixth order as of a third octave analyser. Root mean square 1.
func Band(r *rand.Rand, rate float64, n int, hz, part float64) []float64 {
	edge := math.Exp2(part / 2)
	width := edge - 1/edge
	return Normalise(Filter(White(r, n), rate, func(f float64) complex128 {
		if f == 0 {
			return 0
		}
		d := (f/hz - hz/f) / width
		return complex(1/math.Sqrt(1+math.Pow(d, 6)), 0)
	}))
}

// narrows are what programme repeats or has little in it.
var narrows = []string{"periodic", "periodic", "periodic", "tones", "odd harmonics", "hum", "third octave"}

// Narrow is a Take of what repeats itself or leaves most frequencies out.
type Narrow struct {
	Take
	Kind    string
	PeriodS float64 // of what is periodic; 0: not exactly
	LowHz   float64 // what is played lies between
	HighHz  float64
	Cable   bool
}

// RandomNarrow draws one of that many seconds: periodic noise of 2^10…2^18
// samples, tones, odd harmonics, mains hum or a third octave, through a cable or
// through a box and a room, with the converters' own noise at −100…−80 dBFS.
func RandomNarrow(seed uint64, rateHz, seconds float64) *Narrow {
	r := New(800000 + seed)
	n := int(seconds * rateHz)
	t := &Narrow{Kind: narrows[seed%uint64(len(narrows))]}
	t.RateHz, t.DelayS, t.Sign = rateHz, 0.001*math.Exp2(5.5*r.Float64()), 1-2*r.IntN(2)
	detail := ""
	switch t.Kind {
	case "periodic":
		period := 1 << (10 + r.IntN(9))
		t.PeriodS, t.LowHz, t.HighHz = float64(period)/rateHz, 20, 20000
		t.X = Periodic(r, rateHz, n, period)
		detail = fmt.Sprintf("every %.1f ms", 1000*t.PeriodS)
	case "tones":
		hz := make([]float64, 2+r.IntN(9))
		t.LowHz, t.HighHz = math.Inf(1), 0
		for i := range hz {
			hz[i] = 50 * math.Pow(200, r.Float64())
			t.LowHz, t.HighHz = min(t.LowHz, hz[i]), max(t.HighHz, hz[i])
		}
		swing := 0.5 * r.Float64() * float64(r.IntN(2))
		t.X = Tones(r, rateHz, n, hz, swing)
		detail = fmt.Sprintf("%d, swing %.1f", len(hz), swing)
	case "odd harmonics":
		hz := 40 * math.Pow(25, r.Float64())
		t.LowHz, t.HighHz = hz, 20000
		t.X = Square(r, rateHz, n, hz, math.Pow(100, r.Float64()))
		detail = fmt.Sprintf("of %.1f Hz", hz)
	case "hum":
		t.LowHz, t.HighHz = 50, 720
		t.X = Hum(r, rateHz, n)
	case "third octave":
		hz := 1000 * math.Pow(10, float64(r.IntN(22)-13)/10)
		t.LowHz, t.HighHz = hz/math.Exp2(1./6), hz*math.Exp2(1./6)
		t.X = Band(r, rateHz, n, hz, 1./3)
		detail = fmt.Sprintf("at %.0f Hz", hz)
	}
	peak := 0.0
	for _, v := range t.X {
		peak = max(peak, math.Abs(v))
	}
	for i := range t.X {
		t.X[i] *= 0.5 / peak
	}
	t.Cable = r.IntN(2) == 0
	if t.Cable {
		t.Impulse = make([]float64, int((t.DelayS+0.01)*rateHz))
		t.Impulse[0] = 0.5 * float64(t.Sign)
		t.Impulse = Delay(t.Impulse, rateHz, math.Round(t.DelayS*rateHz)/rateHz)
		t.DelayS = math.Round(t.DelayS*rateHz) / rateHz
		t.SNRDB = 60 + 30*r.Float64()
		detail += ", cable"
	} else {
		t.RT60, t.Direct, t.SNRDB, t.Box = 0.2*math.Pow(10, r.Float64()), 12*r.Float64()-4, 20+30*r.Float64(), RandomBox(r)
		t.Box.HighReversed = false
		room := Room(r, rateHz, t.DelayS, t.RT60, t.Direct)
		t.Impulse = Filter(append(room, make([]float64, int(rateHz/4))...), rateHz, func(hz float64) complex128 {
			return complex(0.3*float64(t.Sign), 0) * t.Box.Response(hz)
		})
		detail += fmt.Sprintf(", room of %.1f s, direct %+.0f dB", t.RT60, t.Direct)
	}
	t.Heard = Convolve(t.X, t.Impulse)
	t.Y = AddPinkNoise(r, rateHz, append([]float64(nil), t.Heard...), t.SNRDB)
	for _, x := range [][]float64{t.X, t.Y} { // the converters'
		g := math.Pow(10, (-100+20*r.Float64())/20) / math.Sqrt2
		for i := range x {
			x[i] += g * r.NormFloat64()
		}
	}
	t.Name = fmt.Sprintf("%d: %s %s, %.2f ms, sign %+d, noise %.0f dB", seed, t.Kind, detail, 1000*t.DelayS, t.Sign, t.SNRDB)
	return t
}
