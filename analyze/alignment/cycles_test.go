package alignment

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"
	"testing"

	claims "plumbline/analyze/internal/truth"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
)

// crossover is the low and the high side of one, at frequency f over its corner.
//
// Linkwitz, J. Audio Eng. Soc. 24 (1976): a Linkwitz-Riley filter is a Butterworth
// filter of half the order twice over, or for 12 dB an octave a first-order one.
// Butterworth polynomials from memory.
type crossover func(x float64) (low, high complex128)

var crossovers = map[string]crossover{
	"LR24": func(x float64) (low, high complex128) {
		s := complex(0, x)
		d := s*s + complex(math.Sqrt2, 0)*s + 1
		return 1 / (d * d), s * s * s * s / (d * d)
	},
	"LR12": func(x float64) (low, high complex128) {
		s := complex(0, x)
		d := (s + 1) * (s + 1)
		return 1 / d, s * s / d
	},
	"BW18": func(x float64) (low, high complex128) {
		s := complex(0, x)
		d := (s + 1) * (s*s + s + 1)
		return 1 / d, s * s * s / d
	},
}

// hallWithSub is a main and a sub at some seats: true responses over frequency,
// and what the sub was set off by.
type hallWithSub struct {
	main, sub []func(f float64) complex128
	lateMs    []float64 // of the sub, by seat
	turned    bool
	cornerHz  float64
	kind      string
}

// randomHall has a crossover of 70–120 Hz, the sub −15…+25 ms from where it belongs,
// in either polarity, 1–5 seats that differ by some metres, and half of the time a
// room.
func randomHall(rng *rand.Rand) hallWithSub {
	h := hallWithSub{cornerHz: 70 + 50*rng.Float64(), turned: rng.IntN(2) == 0, kind: []string{"LR24", "LR12", "BW18"}[rng.IntN(3)]}
	split := crossovers[h.kind]
	late, gain := -15+40*rng.Float64(), math.Pow(10, (-6+12*rng.Float64())/20)
	if h.turned {
		gain = -gain
	}
	room := rng.IntN(2) == 0
	for range 1 + rng.IntN(5) {
		seatMs := 3 * (2*rng.Float64() - 1)
		a, b := echoes(rng, room), echoes(rng, room)
		h.lateMs = append(h.lateMs, late+seatMs)
		h.main = append(h.main, func(f float64) complex128 {
			_, high := split(f / h.cornerHz)
			return high * a(f) / complex(1+f/16000, 0)
		})
		h.sub = append(h.sub, func(f float64) complex128 {
			low, _ := split(f / h.cornerHz)
			s := complex(0, f/30)
			return low * b(f) * s * s / (s*s + complex(math.Sqrt2, 0)*s + 1) * cmplx.Rect(gain, -2*math.Pi*f*(late+seatMs)/1e3)
		})
	}
	return h
}

// echoes is a direct sound and, in a room, reflections of it.
func echoes(rng *rand.Rand, room bool) func(f float64) complex128 {
	type echo struct{ s, gain float64 }
	var list []echo
	for range 8 {
		s := 0.003 + 0.08*rng.Float64()
		if room {
			list = append(list, echo{s, (0.6*rng.Float64() - 0.15) * math.Exp(-s/0.05)})
		}
	}
	return func(f float64) complex128 {
		h := complex(1, 0)
		for _, e := range list {
			h += cmplx.Rect(e.gain, -2*math.Pi*f*e.s)
		}
		return h
	}
}

// takeOf is h measured with n averages over noise of that power, on the lines of
// a window of 32768 samples at 48 kHz.
func takeOf(rng *rand.Rand, h func(f float64) complex128, noise, n float64) *response.Spectra {
	s := &response.Spectra{SampleRateHz: 48000, Window: 32768, Overlap: 0.75, AveragedS: 0.68 * n / 2}
	var past [3]complex128
	for k := 0; k <= 2048; k++ { // to 3 kHz: above there is no sub
		f := float64(k) * 48000 / 32768
		z := h(max(f, 1))
		// Errors of neighbouring lines under a Hann window go together by 4/9 and 1/36.
		past[2], past[1], past[0] = past[1], past[0], complex(rng.NormFloat64(), rng.NormFloat64())*complex(math.Sqrt(noise/n/2), 0)
		e := 0.4282*past[0] + 0.9013*past[1] + 0.0649*past[2]
		s.FrequencyHz = append(s.FrequencyHz, f)
		s.Gxx, s.Gxy = append(s.Gxx, 1), append(s.Gxy, z+e)
		s.Gyy = append(s.Gyy, power(z)+noise)
		s.EffectiveAverages = append(s.EffectiveAverages, n)
	}
	return s
}

// trueValue is the mean of the seats' efficiencies from the true responses.
type trueValue struct {
	omega []float64
	cross [][]complex128
	c     [][]float64
}

func newTrueValue(h hallWithSub, band summation.Band) *trueValue {
	v := &trueValue{cross: make([][]complex128, len(h.main)), c: make([][]float64, len(h.main))}
	for f := band.LowHz; f <= band.HighHz; f *= math.Exp2(1. / 96) {
		v.omega = append(v.omega, 2*math.Pi*f)
		for i := range h.main {
			a, b := h.main[i](f), h.sub[i](f)
			z := a * cmplx.Conj(b)
			v.cross[i] = append(v.cross[i], z/complex(cmplx.Abs(z), 0))
			v.c[i] = append(v.c[i], cOf(cmplx.Abs(b)/cmplx.Abs(a)))
		}
	}
	return v
}

func (v *trueValue) at(x Setting) float64 {
	sum := 0.0
	for k, omega := range v.omega {
		turn := cmplx.Rect(float64(x.Sign), omega*x.DelayMs/1e3)
		for i := range v.cross {
			c := v.c[i][k]
			sum += 10 * math.Log10((1+c*real(v.cross[i][k]*turn))/(1+c))
		}
	}
	return sum / float64(len(v.omega)*len(v.cross))
}

func (v *trueValue) best(rangeMs float64) (best Setting, valueDB float64) {
	valueDB = math.Inf(-1)
	for ms := -rangeMs; ms <= rangeMs; ms += 0.1 {
		for _, sign := range []int{1, -1} {
			x := Setting{DelayMs: ms, Sign: sign}
			if e := v.at(x); e > valueDB {
				best, valueDB = x, e
			}
		}
	}
	return best, valueDB
}

// Main and sub, crossed over, the sub off by up to two cycles, reversed or not:
// the plan is as good as the best over the true responses, what it says of a seat
// agrees with what it does, and no wrong cycle is called sure.
func TestCycleOfASub(t *testing.T) {
	trials := 40
	if claims.Thorough {
		trials = 1000
	}
	var mu sync.Mutex
	var worst float64
	wrongSure, sure, likely, cannot, contradicts, far, onDesign, likelyOff := 0, 0, 0, 0, 0, 0, 0, 0
	claims.Trials(trials, func(i int) {
		rng := rand.New(rand.NewPCG(uint64(i), 81))
		h := randomHall(rng)
		var seats []Seat
		noise := math.Pow(10, -(15+20*rng.Float64())/10)
		for k := range h.main {
			seats = append(seats, Seat{A: takeOf(rng, h.main[k], noise, 20), B: takeOf(rng, h.sub[k], noise, 20)})
		}
		p, err := New(Config{}, seats)
		if err != nil {
			t.Errorf("trial %d: %v", i, err)
			return
		}
		r := p.Solve()
		v := newTrueValue(h, r.Band)
		best, bestDB := v.best(50)
		lost := bestDB - v.at(r.Plan)
		halfMs := r.Cycles.PeriodMs / 2
		mu.Lock()
		defer mu.Unlock()
		worst = max(worst, lost)
		if lost > 0.3 {
			t.Errorf("trial %d (%s at %.0f Hz, band %v): the plan %+v gives %.2f dB less than %+v", i, h.kind, h.cornerHz, r.Band, r.Plan, lost, best)
		}
		wrong := r.Plan.Sign != best.Sign || math.Abs(r.Plan.DelayMs-best.DelayMs) > halfMs/2
		switch r.Cycles.Certainty {
		case Sure:
			sure++
			if wrong {
				wrongSure++
				t.Errorf("trial %d: sure of %+v, the best is %+v, %.2f dB more", i, r.Plan, best, lost)
			}
		case Likely:
			likely++
		default:
			cannot++
		}
		design := 0.0
		for k, seat := range r.Seats {
			design -= h.lateMs[k] / float64(len(r.Seats))
			if math.Abs(seat.OffsetMs+r.Plan.DelayMs) > halfMs {
				far++
			}
			if len(r.Seats) == 1 && math.Abs(seat.OffsetMs+r.Plan.DelayMs) > 0.01 && math.Abs(r.Plan.DelayMs) < 49 {
				contradicts++
				t.Errorf("trial %d: the sub is %.3f ms late, and the plan moves it by %.3f ms", i, seat.OffsetMs, r.Plan.DelayMs)
			}
		}
		// Linkwitz-Riley sides are in phase, or opposite at 12 dB an octave; those of a
		// Butterworth one a quarter of a cycle apart, so that either polarity does.
		sign := 1
		if h.turned != (h.kind == "LR12") {
			sign = -1
		}
		if math.Abs(r.Plan.DelayMs-design) < 0.75*halfMs && (r.Plan.Sign == sign || h.kind == "BW18") {
			onDesign++
		} else if r.Cycles.Certainty == Likely {
			likelyOff++
		}
		if testing.Verbose() && !claims.Thorough {
			t.Logf("%d %s %.0f Hz turned %v, %d seats, late %.1f: band %v plan %+.2f %+d, %v, alike %d, slope %.1f±%.1f, lost %.2f", i, h.kind, h.cornerHz, h.turned, len(seats), -design, r.Band, r.Plan.DelayMs, r.Plan.Sign, r.Cycles.Certainty, len(r.Cycles.Alike), r.Cycles.SlopeMs, r.Cycles.SDMs, lost)
		}
	})
	claims.Claim(t, "main and sub, crossed over at 70–120 Hz, sub −15…+25 ms off, either polarity, 1–5 seats: plan within 0.3 dB of the best over the true responses; 0 wrong cycles called sure; offset and plan never contradict", "crossovers after Linkwitz 1976 and Butterworth 1930; own simulation",
		fmt.Sprintf("loses at most %.2f dB in %d; wrong and sure %d; contradictions %d; sure %.0f %%, likely %.0f %%, told alike %.0f %%; on the cycle that the crossover was designed for %.0f %%, likely and not on it %d", worst, trials, wrongSure, contradicts, 100*float64(sure)/float64(trials), 100*float64(likely)/float64(trials), 100*float64(cannot)/float64(trials), 100*float64(onDesign)/float64(trials), likelyOff),
		claims.AtMost(worst, "0.3"), claims.AtMost(float64(wrongSure), "0"))
	t.Logf("%d seats more than half a cycle from the plan", far)
}

// The offset's standard deviation is that by which it scatters, in a narrow overlap
// and in a wide one.
func TestOffsetScattersAsSaid(t *testing.T) {
	for name, band := range map[string]summation.Band{"narrow": {LowHz: 60, HighHz: 140}, "wide": {LowHz: 60, HighHz: 2000}} {
		one := func(f float64) complex128 { return cmplx.Rect(1, -2*math.Pi*f*0.001) }
		two := func(f float64) complex128 { return cmplx.Rect(0.7, -2*math.Pi*f*0.0053) }
		const trials = 60
		var offsets []float64
		said := 0.0
		for i := range trials {
			rng := rand.New(rand.NewPCG(uint64(i), 7))
			a, b := takeOf(rng, one, 0.1, 20), takeOf(rng, two, 0.1, 20)
			p, err := New(Config{Band: band}, []Seat{{A: a, B: b}})
			if err != nil {
				t.Fatal(err)
			}
			r := p.Solve()
			l, err := p.Pair(0).Account(nil, summation.Config{Offset: &summation.Offset{Ms: r.Seats[0].OffsetMs, Sign: r.Seats[0].OffsetSign}})
			if err != nil {
				t.Fatal(err)
			}
			offsets = append(offsets, l.OffsetMs)
			said += l.OffsetSDMs * l.OffsetSDMs / trials
		}
		mean, scatter := 0.0, 0.0
		for _, x := range offsets {
			mean += x / trials
		}
		for _, x := range offsets {
			scatter += (x - mean) * (x - mean) / (trials - 1)
		}
		// 60 trials tell a standard deviation to 9 %.
		if ratio := math.Sqrt(said / scatter); ratio < 0.75 || ratio > 1.35 {
			t.Errorf("%s: said %.4f ms, scatters by %.4f ms", name, math.Sqrt(said), math.Sqrt(scatter))
		}
	}
}
