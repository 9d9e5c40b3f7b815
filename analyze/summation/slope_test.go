package summation

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/response"
)

// Pure delays: the group delays are they, whatever the polarity, and by how far
// phase strays from a line says how far the delay may be off.
func TestSlopesAreGroupDelays(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	for _, sign := range []float64{1, -1} {
		b := func(f float64) complex128 { return complex(sign, 0) * later(15.5)(f) }
		p, err := NewPair(exact(later(3)), exact(b), Band{60, 130})
		if err != nil {
			t.Fatal(err)
		}
		if s := p.Slopes(10, 20); math.Abs(s.AMs-3) > 0.05 || math.Abs(s.LaterMs-12.5) > 0.05 || math.Abs(s.BMs-15.5) > 0.1 || s.SDMs > 0.05 {
			t.Errorf("3 and 15.5 ms, %+g: %+v", sign, s)
		}
	}
	within, trials := 0, 200
	for range trials {
		rough := func(f float64) complex128 { return later(12)(f) * cmplx.Rect(1, 0.5*rng.NormFloat64()) }
		p, err := NewPair(exact(later(0)), exact(rough), Band{60, 130})
		if err != nil {
			t.Fatal(err)
		}
		if s := p.Slopes(12, 20); math.Abs(s.LaterMs-12) < 2*s.SDMs {
			within++
		}
	}
	if share := float64(within) / float64(trials); share < 0.9 {
		t.Errorf("two standard deviations hold the delay in %.0f %% of %d", 100*share, trials)
	}
}

// A known offset is the ledger's, and its rows still add up: no second opinion on
// the cycle.
func TestKnownOffset(t *testing.T) {
	a, b := exact(later(20)), exact(later(27))
	for _, known := range []Offset{{Ms: 7, Sign: 1}, {Ms: 12.1, Sign: -1}} {
		l := account(t, a, b, nil, Config{Band: Band{70, 130}, Offset: &known})
		if l.OffsetMs != known.Ms {
			t.Errorf("known to be %g ms, said to be %g ms", known.Ms, l.OffsetMs)
		}
		if l.Sign == -known.Sign {
			t.Errorf("known to be %+d, said to be %+d", known.Sign, l.Sign)
		}
	}
}

// Sides of a crossover of 24 dB an octave (Linkwitz 1976) at 90 Hz are 10 dB apart
// where (f/90)⁴ is 10^(10/20): 0.21 octaves to either side. Third octaves and
// whole ones smear that by less than a third.
func TestOverlapOfMainAndSub(t *testing.T) {
	side := func(x float64) complex128 {
		s := complex(0, x)
		d := s*s + complex(math.Sqrt2, 0)*s + 1
		return 1 / (d * d)
	}
	main, sub := exact(func(f float64) complex128 { return side(90 / f) }), exact(func(f float64) complex128 { return side(f / 90) })
	band, err := Overlap(DefaultMaxDifferenceDB, [2]*response.Spectra{main, sub})
	if err != nil {
		t.Fatal(err)
	}
	apart := math.Exp2(0.208)
	if math.Abs(math.Log2(band.LowHz*apart/90)) > 1./3 || math.Abs(math.Log2(band.HighHz/apart/90)) > 1./3 {
		t.Errorf("overlap %v, want %.0f to %.0f Hz", band, 90/apart, 90*apart)
	}
	// A sub that ends where the main has not begun.
	_, err = Overlap(DefaultMaxDifferenceDB, [2]*response.Spectra{exact(func(f float64) complex128 { return side(400 / f) }), exact(func(f float64) complex128 { return side(f / 60) })})
	none := (*NoOverlapError)(nil)
	if !errors.As(err, &none) {
		t.Fatalf("no overlap: %v", err)
	}
	// 1 + x⁴ is 10, 20 dB, at x = 1.732.
	if math.Abs(math.Log2(none.A.LowHz*1.732/400)) > 1./6 || math.Abs(math.Log2(none.B.HighHz/1.732/60)) > 1./6 {
		t.Errorf("they play %v and %v", none.A, none.B)
	}
	if text := none.Words("main", "sub"); !strings.HasPrefix(text, "they share no band (main plays 2") || !strings.HasSuffix(text, "): nothing to align") {
		t.Errorf("said %q", text)
	}
}
