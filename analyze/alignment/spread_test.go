package alignment

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/summation"
)

// The efficiency over a spread is that of the point, averaged over normally spread
// delays: a plain numerical mean of 8001 of them.
func TestSpreadIsTheMeanOverDelays(t *testing.T) {
	frequency := seattest.LogGrid(20, 20000, 48)
	a, b := theatre(2)
	for _, band := range []summation.Band{{LowHz: 60, HighHz: 16000}, {LowHz: 60, HighHz: 200}, {LowHz: 1000, HighHz: 2000}} {
		for _, spreadMs := range []float64{0.02, 0.223, 1, 20} {
			seat := Seat{A: seattest.Exact(frequency, 30, a[0].Response), B: seattest.Exact(frequency, 30, b[0].Response), SpreadMs: spreadMs}
			p, err := New(Config{Band: band}, []Seat{seat})
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range []Setting{{Sign: 1}, {DelayMs: 5.3, Sign: -1}, {DelayMs: -1.7, Sign: 1, GainDB: 4}} {
				_, got := p.Efficiency(nil, x)
				want, weight := 0.0, 0.0
				const steps = 4000
				same, opposite := make([]float64, 2*steps+1), make([]float64, 2*steps+1)
				p.Points().Curves(same, opposite, 0, x.GainDB, x.DelayMs-5*spreadMs, 5*spreadMs/steps)
				if x.Sign < 0 {
					same = opposite
				}
				for n, v := range same {
					z := 5 * float64(n-steps) / steps
					w := math.Exp(-z * z / 2)
					want, weight = want+w*v, weight+w
				}
				want /= weight
				// Nulls narrower than a step cost the plain mean that much.
				if math.Abs(got-want) > 0.003 {
					t.Errorf("%v, spread %g ms, %+v: %.5f dB, the mean over delays is %.5f dB", band, spreadMs, x, got, want)
				}
			}
		}
	}
}

// Gradshteyn and Ryzhik 1.514: without damping the ripple is ln|1 + ρe^{jψ}|².
func TestRippleSeries(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		rho, psi := 0.95*rng.Float64(), 2*math.Pi*rng.Float64()
		want := math.Log(1 + rho*rho + 2*rho*math.Cos(psi))
		one := seat{omega: []float64{0}, cross: []complex128{cmplx.Rect(1, psi)}, ratio: []float64{rho}, smoothed: []smoothed{{0, 1, 1}}}
		if got := one.ripples(1, 0, 1); math.Abs(got-want) > 4e-3 {
			t.Fatalf("ρ %.3f, ψ %.3f: %.6f, want %.6f", rho, psi, got, want)
		}
	}
}

// Up to which frequency two add up, by the definition in the text: of equal signals
// in phase, over a spread, half and a tenth of what they gain over unlike ones is left.
func TestReach(t *testing.T) {
	ms := SpreadMs(0.1, Apart(60), 343)
	if want := 0.1 / 343 * 1e3; math.Abs(ms-want) > 1e-12 { // |u_A − u_B| = 1 at 60°
		t.Fatalf("%g ms, want %g", ms, want)
	}
	frequency := seattest.LogGrid(20, 20000, 400)
	one := seattest.Path{Copies: []seattest.Copy{{DelayMs: 10, Gain: 1}}}
	whole := seattest.Exact(frequency, 30, one.Response)
	p, err := New(Config{}, []Seat{{A: whole, B: whole, SpreadMs: ms}})
	if err != nil {
		t.Fatal(err)
	}
	adds, nothing := p.Reach()
	for hz, share := range map[float64]float64{adds: 0.5, nothing: 0.1} {
		narrow, err := New(Config{Band: summation.Band{LowHz: hz / 1.01, HighHz: hz * 1.01}}, []Seat{{A: whole, B: whole, SpreadMs: ms}})
		if err != nil {
			t.Fatal(err)
		}
		_, db := narrow.Efficiency(nil, Setting{Sign: 1})
		if got := 1 + db/(20*math.Log10(2)); math.Abs(got-share) > 0.02 {
			t.Errorf("at %.0f Hz %.3f of 6 dB is left, want %g", hz, got, share)
		}
	}
	if adds < 700 || adds > 900 {
		t.Errorf("10 cm and 60° add up to %.0f Hz: σ_τ is 0.29 ms, half a turn at 786 Hz", adds)
	}
	if adds, nothing := p.Points().Reach(); !math.IsInf(adds, 1) || !math.IsInf(nothing, 1) {
		t.Errorf("without a spread they add up to %g Hz", adds)
	}
}

func TestApart(t *testing.T) {
	for _, c := range []struct {
		a, b [3]float64
		want float64
	}{
		{[3]float64{1, 0, 0}, [3]float64{5, 0, 0}, 0},
		{[3]float64{1, 0, 0}, [3]float64{0, 3, 0}, math.Sqrt2},
		{[3]float64{1, 0, 0}, [3]float64{-2, 0, 0}, 2},
	} {
		if got, want := ApartAt([3]float64{}, c.a, c.b), math.Hypot(c.want, turnedByRoom); math.Abs(got-want) > 1e-12 {
			t.Errorf("%v and %v: %g, want %g", c.a, c.b, got, want)
		}
	}
}

// The level of a sum over a spread is that of its mean power over spread delays.
func TestGainIsTheMeanPowerOverDelays(t *testing.T) {
	frequency := seattest.LogGrid(20, 20000, 48)
	a, b := theatre(1)
	const ms = 0.3
	p, err := New(Config{Band: summation.Band{LowHz: 80, HighHz: 4000}}, []Seat{{
		A: seattest.Exact(frequency, 30, a[0].Response), B: seattest.Exact(frequency, 30, b[0].Response), SpreadMs: ms,
	}})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []Setting{{Sign: 1}, {DelayMs: 4.1, Sign: -1, GainDB: 3}} {
		power, weight := 0.0, 0.0
		for z := -5.0; z <= 5; z += 0.01 {
			w := math.Exp(-z * z / 2)
			at := x
			at.DelayMs += z * ms
			power, weight = power+w*math.Pow(10, p.Points().Gains(nil, at)[0]/10), weight+w
		}
		if got, want := p.Gains(nil, x)[0], 10*math.Log10(power/weight); math.Abs(got-want) > 1e-6 {
			t.Errorf("%+v: %.6f dB, want %.6f dB", x, got, want)
		}
	}
	// Two alike: +6.02 dB in phase, nothing at all against each other.
	flat := seattest.Exact(frequency, 30, func(float64) complex128 { return 1 })
	two, err := New(Config{}, []Seat{{A: flat, B: flat}})
	if err != nil {
		t.Fatal(err)
	}
	if same, turned := two.Gains(nil, Setting{Sign: 1})[0], two.Gains(nil, Setting{Sign: -1})[0]; math.Abs(same-20*math.Log10(2)) > 1e-9 || turned != -60 {
		t.Errorf("%g and %g dB", same, turned)
	}
}
