package sweep

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
)

const rate = 48000

// chirp is the sweep of Farina 2000, with both ends faded over 10 ms.
func chirp(low, high, seconds float64) []float64 {
	x := make([]float64, int(seconds*rate))
	l := seconds / math.Log(high/low)
	for i := range x {
		t := float64(i) / rate
		x[i] = math.Sin(2 * math.Pi * low * l * math.Expm1(t/l))
		if edge := min(t, seconds-t); edge < 0.01 {
			x[i] *= (1 - math.Cos(math.Pi*edge/0.01)) / 2
		}
	}
	return x
}

// played is so many sweeps through f, each with a second of silence behind, and half a
// second in front of all.
func played(x []float64, times int, f func(float64) float64) []float64 {
	y := make([]float64, rate/2+times*(len(x)+rate))
	for i := range times {
		for k, v := range x {
			y[rate/2+i*(len(x)+rate)+k] = f(v)
		}
	}
	return y
}

func measured(t testing.TB, y, x []float64, low, high float64) *Take {
	t.Helper()
	take, err := Measure(y, Config{SampleRateHz: rate, LowHz: low, HighHz: high, Played: x})
	if err != nil {
		t.Fatal(err)
	}
	return take
}

// biquad is a second-order filter, b and a with a[0] = 1.
type biquad struct{ b, a [3]float64 }

func (q biquad) filter(x []float64) []float64 {
	y := make([]float64, len(x))
	var s1, s2 float64
	for i, v := range x {
		y[i] = q.b[0]*v + s1
		s1 = q.b[1]*v - q.a[1]*y[i] + s2
		s2 = q.b[2]*v - q.a[2]*y[i]
	}
	return y
}

func (q biquad) at(hz float64) complex128 {
	z := cmplx.Rect(1, -2*math.Pi*hz/rate)
	return (complex(q.b[0], 0) + complex(q.b[1], 0)*z + complex(q.b[2], 0)*z*z) /
		(1 + complex(q.a[1], 0)*z + complex(q.a[2], 0)*z*z)
}

// bell is the bilinear transform of the second-order analogue bell.
func bell(hz, gainDB, quality float64) biquad {
	a, w := math.Pow(10, gainDB/40), 2*math.Pi*hz/rate
	alpha := math.Sin(w) / (2 * quality)
	n := 1 + alpha/a
	return biquad{[3]float64{(1 + alpha*a) / n, -2 * math.Cos(w) / n, (1 - alpha*a) / n},
		[3]float64{1, -2 * math.Cos(w) / n, (1 - alpha/a) / n}}
}

// TestSweepThroughAKnownFilter: magnitude and phase of three bells from 20 Hz to 20 kHz.
func TestSweepThroughAKnownFilter(t *testing.T) {
	step := 1.35
	filters := []biquad{bell(80, 9, 2), bell(1000, -12, 4), bell(9000, 6, 1)}
	times := []int{1}
	if truth.Thorough {
		times, step = []int{1, 4}, 1.02
	}
	mostDB, mostDeg := 0.0, 0.0
	for _, n := range times {
		x := chirp(20, 20000, 3)
		y := played(x, n, func(v float64) float64 { return v / 4 })
		for _, q := range filters {
			y = q.filter(y)
		}
		r := rand.New(rand.NewPCG(1, 2))
		for i := range y {
			y[i] += 1e-5 * r.NormFloat64() // 93 dB below
		}
		take := measured(t, y, x, 20, 20000)
		if take.Sweeps != n {
			t.Errorf("%d sweeps, want %d", take.Sweeps, n)
		}
		lead := int(math.Round(take.LeadS * rate))
		for f := 20.0; f <= 20000; f *= step {
			var h complex128
			for i, v := range take.Response {
				h += complex(v, 0) * cmplx.Rect(4, -2*math.Pi*f*float64(i-lead)/rate)
			}
			want := filters[0].at(f) * filters[1].at(f) * filters[2].at(f)
			mostDB = max(mostDB, math.Abs(20*math.Log10(cmplx.Abs(h/want))))
			mostDeg = max(mostDeg, math.Abs(cmplx.Phase(h/want))*180/math.Pi)
		}
	}
	truth.Claim(t, "a sweep through a known filter recovers it within 0.05 dB and 0.5° from 20 Hz to 20 kHz",
		"the filter's own transfer function", fmt.Sprintf("%.4f dB, %.3f°", mostDB, mostDeg), truth.AtMost(mostDB, "0.05"), truth.AtMost(mostDeg, "0.5"))
}

// TestKnownNonLinearity: x + a₂x² + a₃x³ of a sine wave of amplitude A has a second
// harmonic of a₂A²/2 and a third of a₃A³/4, and A + ¾a₃A³ itself.
func TestKnownNonLinearity(t *testing.T) {
	most := 0.0
	for _, c := range []struct{ a, a2, a3 float64 }{{0.5, 0.02, 0.01}, {0.1, 0.05, 0.3}, {0.5, 0, 0.001}} {
		x := chirp(20, 20000, 4)
		y := played(x, 1, func(v float64) float64 { v *= c.a; return v + c.a2*v*v + c.a3*v*v*v })
		r := rand.New(rand.NewPCG(3, 4))
		for i := range y {
			y[i] += 1e-6 * r.NormFloat64()
		}
		fundamental := c.a + 0.75*c.a3*c.a*c.a*c.a
		want := map[int]float64{
			2: 20 * math.Log10(c.a2*c.a*c.a/2/fundamental),
			3: 20 * math.Log10(c.a3*c.a*c.a*c.a/4/fundamental),
			4: math.Inf(-1), 5: math.Inf(-1),
		}
		for _, o := range measured(t, y, x, 20, 20000).Orders {
			known := 0
			for k, f := range o.FrequencyHz {
				// above a sixth of the rate a cube folds, here and in no loudspeaker
				if f < 50 || f > 6000 {
					continue
				}
				switch level := o.LevelDB[k]; {
				case math.IsInf(want[o.N], -1) && level > -95:
					t.Errorf("a = %g, %g: order %d at %.0f Hz has %.1f dB", c.a2, c.a3, o.N, f, level)
				case !math.IsInf(want[o.N], -1):
					known++
					if d := math.Abs(level - want[o.N]); !(d <= most) {
						most = d
					}
				}
			}
			if known == 0 && !math.IsInf(want[o.N], -1) {
				t.Errorf("order %d is nowhere known", o.N)
			}
		}
	}
	truth.Claim(t, "the second and third harmonic of a known non-linearity within 0.5 dB, 50 Hz to 6 kHz",
		"the power series of a sine wave", fmt.Sprintf("%.3f dB", most), truth.AtMost(most, "0.5"))
}

// Each order leads the response by as much as the published table has it.
func TestOrdersLieWhereTheTableHasThem(t *testing.T) {
	rows := reference.Table(t, "reference/farina_offsets.csv")
	for _, row := range rows {
		if row["f1_hz"] != "100" || row.Number(t, "order") > 5 {
			continue
		}
		x := chirp(100, 10000, 1)
		n := int(row.Number(t, "order"))
		y := make([]float64, 2*rate)
		l := row.Number(t, "L_s")
		for i := range x { // what is n times as high
			y[i] = math.Sin(2 * math.Pi * 100 * l * float64(n) * math.Expm1(float64(i)/rate/l))
		}
		s := newSweeps(Config{SampleRateHz: rate, LowHz: 100, HighHz: 10000, Played: x}, 3*rate)
		h := s.divide(y)
		advance, best := row.Number(t, "advance_samples_48k"), 0
		for i := -100; i <= 100; i++ {
			at := func(i int) float64 { // about it: its phase is turned
				from := len(h) - int(math.Round(advance)) + i
				return energy(h[from-3 : from+4])
			}
			if at(i) > at(best) {
				best = i
			}
		}
		if best < -1 || best > 1 {
			t.Errorf("order %d lies %d samples off", n, best)
		}
	}
}

// Several sweeps add up what repeats: noise falls by 10 lg n.
func TestSweepsAreAveraged(t *testing.T) {
	x := chirp(50, 16000, 1)
	strays := map[int]float64{}
	for _, n := range []int{1, 4} {
		y := played(x, n, func(v float64) float64 { return v / 8 })
		r := rand.New(rand.NewPCG(5, 6))
		for i := range y {
			y[i] += 0.003 * r.NormFloat64()
		}
		take := measured(t, y, x, 50, 16000)
		tail := take.Response[len(take.Response)/2:]
		strays[n] = 10 * math.Log10(energy(tail))
		if want := 20 * math.Log10(0.003*math.Sqrt2*8); math.Abs(take.NoiseDB-want) > 0.5 {
			t.Errorf("noise at %.2f dB, want %.2f", take.NoiseDB, want)
		}
		if (n == 1) != math.IsNaN(take.SpreadDB) {
			t.Errorf("%d sweeps stray by %.1f dB", n, take.SpreadDB)
		}
	}
	if gain := strays[1] - strays[4]; math.Abs(gain-10*math.Log10(4)) > 0.7 {
		t.Errorf("four sweeps have %.2f dB less noise, want 6.02", gain)
	}
}

func TestRefusedTakes(t *testing.T) {
	x := chirp(20, 20000, 2)
	room := func() []float64 { // a direct sound, reflections that fade, and noise
		y := played(x, 1, func(v float64) float64 { return v / 4 })
		z := make([]float64, len(y))
		r := rand.New(rand.NewPCG(7, 8))
		for late := 0; late < rate/4; late += 700 + r.IntN(900) {
			gain := math.Exp(-float64(late) / 4000)
			for i := late; i < len(z); i++ {
				z[i] += gain * y[i-late]
			}
		}
		for i := range z {
			z[i] += 1e-4 * r.NormFloat64()
		}
		return z
	}
	for want, spoil := range map[string]func(y []float64) []float64{
		"is clipped, first at 0.5": func(y []float64) []float64 {
			for i := range y {
				y[i] = min(1, max(-1, 8*y[i]))
			}
			return y
		},
		"is interrupted at 1.7": func(y []float64) []float64 { clear(y[int(1.7*rate):int(1.72*rate)]); return y },
		"jumps by -": func(y []float64) []float64 {
			return append(y[:int(1.8*rate):int(1.8*rate)], y[int(1.81*rate):]...)
		},
		"begins 0.5 s after":   func(y []float64) []float64 { return y[rate:] },
		"before the sweep":     func(y []float64) []float64 { return y[:int(2.3*rate)] },
		"leave the room 0.3 s": func(y []float64) []float64 { return y[:int(2.6*rate)] },
		"record all of it":     func(y []float64) []float64 { return y[:rate] },
		"there is no sound":    func(y []float64) []float64 { clear(y); return y },
		"no sweep from 20 to 20000": func(y []float64) []float64 {
			r := rand.New(rand.NewPCG(9, 9))
			for i := range y {
				y[i] = 0.1 * r.NormFloat64()
			}
			return y
		},
	} {
		_, err := Measure(spoil(room()), Config{SampleRateHz: rate, LowHz: 20, HighHz: 20000, Played: x})
		var ms float64
		if _, text, ok := strings.Cut(fmt.Sprint(err), "jumps by "); ok {
			if n, _ := fmt.Sscan(text, &ms); n != 1 || math.Abs(ms+10) > 0.3 {
				t.Errorf("%v: 10 ms are missing", err)
			}
		}
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	if _, err := Measure(room(), Config{SampleRateHz: rate, LowHz: 20, HighHz: 20000, Played: x}); err != nil {
		t.Errorf("a whole take is refused: %v", err)
	}
}
