package response_test

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

// butterworth is the gain of a fourth-order low- or high-pass, from its definition
// |H|² = 1/(1 + x⁸): 24 dB an octave.
func butterworth(x float64) float64 { return 1 / math.Sqrt(1+math.Pow(x, 8)) }

// noisy adds independent noise of that power to what an endless measurement would
// yield, measured with n averages.
func noisy(rng *rand.Rand, s *response.Spectra, noise, n float64) *response.Spectra {
	s.AveragedS = n / 2
	for k := range s.Gxy {
		s.Gxy[k] += complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(noise/n/2), 0)
		s.Gyy[k] += noise
		s.EffectiveAverages[k] = n
	}
	return s
}

var logGrid = seattest.LogGrid(15, 22000, 48)

// Where a box of 24 dB an octave is 20 dB down against its pass band: x⁸ = 99,
// x = 1.776. A third of an octave of smoothing moves that by less than a sixth.
func TestPlaysWhatIsWithin20dB(t *testing.T) {
	const beyond = 1.776
	for _, test := range []struct {
		name      string
		low, high float64 // corners; 0 none
	}{{"sub", 35, 90}, {"main", 90, 0}, {"fill", 150, 12000}, {"horn", 800, 9000}, {"all", 0, 0}} {
		h := func(f float64) complex128 {
			g := 1.0
			if test.low > 0 {
				g *= butterworth(test.low / f)
			}
			if test.high > 0 {
				g *= butterworth(f / test.high)
			}
			return cmplx.Rect(g, -2*math.Pi*f*0.011)
		}
		wantLow, wantHigh := max(20, test.low/beyond), 20000.0
		if test.high > 0 {
			wantHigh = min(20000, test.high*beyond)
		}
		low, high, ok := seattest.Exact(logGrid, 30, h).Plays()
		if !ok || math.Abs(math.Log2(low/wantLow)) > 1./6 || math.Abs(math.Log2(high/wantHigh)) > 1./6 {
			t.Errorf("%s: plays %.0f…%.0f Hz, want %.0f…%.0f", test.name, low, high, wantLow, wantHigh)
		}
	}
}

// A stop band that is coherent because the cable is quiet is no band that plays;
// what noise covers is not heard; noise alone plays nothing; a notch ends nothing.
func TestPlaysOnlyWhatIsHeard(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	sub := func(f float64) complex128 { return complex(butterworth(f/80)*butterworth(30/f)+1e-3, 0) }
	if low, high, ok := seattest.Exact(logGrid, 30, sub).Plays(); !ok || high > 160 || low < 15 {
		t.Errorf("with a stop band 60 dB down that is coherent: %.0f…%.0f Hz", low, high)
	}
	if low, high, ok := noisy(rng, seattest.Exact(logGrid, 0, sub), 0.3, 12).Plays(); !ok || high > 130 || high < 70 || low > 40 {
		t.Errorf("over noise 5 dB down: %.0f…%.0f Hz", low, high)
	}
	played := 0
	for range 200 {
		if _, _, ok := noisy(rng, seattest.Exact(logGrid, 0, func(float64) complex128 { return 0 }), 1, 12).Plays(); ok {
			played++
		}
	}
	if played > 0 {
		t.Errorf("noise alone plays in %d of 200", played)
	}
	notched := func(f float64) complex128 {
		if f > 95 && f < 112 {
			return 1e-3
		}
		return 1
	}
	if low, high, ok := seattest.Exact(logGrid, 30, notched).Plays(); !ok || low > 22 || high < 19000 {
		t.Errorf("with a notch: %.0f…%.0f Hz", low, high)
	}
}

// A sub over noise: no time can make what it does not play known within 1 dB, and
// of what it does, the time to go is that by which the averages must grow.
func TestLookToldOnlyWhatCanBe(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	sub := func(f float64) complex128 { return complex(butterworth(f/80)*butterworth(30/f), 0) }
	s := noisy(rng, seattest.Exact(seattest.LogGrid(15, 22000, 400), 0, sub), 0.02, 8)
	o := response.Look(s, 1, 20, 8000, 60)
	if !math.IsInf(o.RemainingS, 1) || o.Done > 0.3 {
		t.Errorf("20…8000 Hz: %+v, want no time to go", o)
	}
	if o.LowHz > 26 || o.HighHz < 85 || o.HighHz > 160 || o.PartDone >= 1 || !(o.PartRemainingS > 0 && o.PartRemainingS <= 60) {
		t.Errorf("what can be reached: %+v", o)
	}
	// Told from 8 averages, found when there are as many.
	longer := 8 * (s.AveragedS + o.PartRemainingS) / s.AveragedS
	then := response.Look(noisy(rng, seattest.Exact(s.FrequencyHz, 0, sub), 0.02, 1.15*longer), 1, o.LowHz, o.HighHz, 60)
	if then.Done < 0.97 {
		t.Errorf("after %.1f s more: %+v", 1.15*o.PartRemainingS, then)
	}
	if o := response.Look(noisy(rng, seattest.Exact(s.FrequencyHz, 0, sub), 300, 8), 1, 20, 200, 60); o.HighHz != 0 || !math.IsInf(o.PartRemainingS, 1) {
		t.Errorf("buried in noise: %+v", o)
	}
}

func TestLookDoesNotAllocate(t *testing.T) {
	s := seattest.Exact(logGrid, 30, func(float64) complex128 { return 1 })
	if n := testing.AllocsPerRun(20, func() {
		response.Progress(s, 1, 50, 8000)
		s.Plays()
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
