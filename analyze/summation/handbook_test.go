package summation

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

func constant(h complex128) func(float64) complex128 { return func(float64) complex128 { return h } }

func later(ms float64) func(float64) complex128 {
	return func(f float64) complex128 { return cmplx.Rect(1, -2*math.Pi*f*ms/1e3) }
}

var grid = seattest.LogGrid(20, 20000, 48)

func exact(h func(float64) complex128) *response.Spectra { return seattest.Exact(grid, 30, h) }

func account(t *testing.T, a, b, both *response.Spectra, cfg Config) *Ledger {
	t.Helper()
	l, err := Account(a, b, both, cfg)
	if err != nil {
		t.Fatal(err)
	}
	checkSum(t, l)
	return l
}

// Every sum of two phasors in testdata/reference/coherent_sum.csv (elementary
// wave superposition, e.g. Kinsler et al., Fundamentals of Acoustics).
func TestPhasorSums(t *testing.T) {
	for _, row := range reference.Table(t, "reference/coherent_sum.csv") {
		degrees, difference, want := row.Number(t, "phase_deg"), row.Number(t, "level_difference_db"), row.Number(t, "sum_db_re_louder")
		phase := degrees * math.Pi / 180
		b := cmplx.Rect(math.Pow(10, -difference/20), phase)
		l := account(t, exact(constant(1)), exact(constant(b)), nil, Config{MaxOffsetMs: 1})
		if math.IsInf(want, -1) {
			if l.GainOverLouderDB > -110 || !l.Rows[4].Cancelled && !l.Rows[3].Cancelled {
				t.Errorf("%v: %.3f dB, cancelled: %+v", row, l.GainOverLouderDB, l.Rows)
			}
			continue
		}
		if math.Abs(l.GainOverLouderDB-want) > 0.0006 { // the table has three decimals
			t.Errorf("%g°, %g dB: %.4f dB, want %.3f", degrees, difference, l.GainOverLouderDB, want)
		}
	}
}

// Levels of testdata/reference/comb.csv (direct sound and one delayed copy).
func TestCombLevels(t *testing.T) {
	for _, row := range reference.Table(t, "reference/comb.csv") {
		difference, peak, notch := row.Number(t, "level_difference_db"), row.Number(t, "peak_db"), row.Number(t, "dip_db")
		c := NewComb(1, difference, 1, Band{100, 3000})
		if math.Abs(c.PeakDB-peak) > 0.0006 {
			t.Errorf("%g dB apart: peak %.4f dB, want %.3f", difference, c.PeakDB, peak)
		}
		if c.NotchDB != notch && math.Abs(c.NotchDB-notch) > 0.0006 {
			t.Errorf("%g dB apart: notch %.4f dB, want %.3f", difference, c.NotchDB, notch)
		}
	}
}

// Notches of 1 ms at 500, 1500, 2500 Hz, peaks at n/τ (testdata/reference/comb.csv);
// opposite polarity swaps them.
func TestCombFrequencies(t *testing.T) {
	odd, even := []float64{500, 1500, 2500}, []float64{1000, 2000, 3000}
	for _, test := range []struct {
		offsetMs       float64
		sign           int
		notches, peaks []float64
	}{{1, 1, odd, even}, {-1, 1, odd, even}, {1, -1, even, odd}} {
		c := NewComb(test.offsetMs, 0, test.sign, Band{100, 3100})
		if !equal(c.NotchHz, test.notches) || !equal(c.PeakHz, test.peaks) {
			t.Errorf("%g ms, %+d: notches %v, peaks %v", test.offsetMs, test.sign, c.NotchHz, c.PeakHz)
		}
	}
	if c := NewComb(0, 3, 1, Band{20, 20000}); len(c.NotchHz)+len(c.PeakHz) != 0 {
		t.Errorf("no offset: %+v", c)
	}
}

func equal(got, want []float64) bool {
	if len(got) != len(want) {
		return false
	}
	for i := range got {
		if math.Abs(got[i]-want[i]) > 1e-9*want[i] {
			return false
		}
	}
	return true
}

// Equal copies give +6.02 dB, reversed ones cancel, incoherent ones give
// +3.01 dB: common practice, no source.
func TestCopies(t *testing.T) {
	one := exact(constant(1))
	l := account(t, one, one, one, Config{})
	if math.Abs(l.Rows[5].ChangeDB+6.0206) > 1e-4 {
		t.Errorf("two of which one is heard: rest %.4f dB, want −6.0206", l.Rows[5].ChangeDB)
	}
	l = account(t, one, one, nil, Config{})
	if math.Abs(l.GainOverLouderDB-6.0206) > 1e-4 || l.Sign != 1 || math.Abs(l.OffsetMs) > 1e-6 {
		t.Errorf("equal copies: %+v", l)
	}
	l = account(t, one, exact(constant(-1)), nil, Config{})
	if l.GainOverLouderDB > -110 || l.Sign != -1 || math.Abs(l.OffsetMs) > 1e-6 || !l.Rows[4].Cancelled {
		t.Errorf("reversed copies: %+v", l)
	}
	for i, row := range l.Rows[:4] {
		if math.Abs(row.ChangeDB) > 1e-9 {
			t.Errorf("reversed copies: row %d takes %.3g dB, all belongs to polarity", i, row.ChangeDB)
		}
	}
	rng := rand.New(rand.NewPCG(1, 1))
	dense := seattest.LogGrid(20, 20000, 1000)
	turning := seattest.Exact(dense, 30, func(float64) complex128 { return cmplx.Rect(1, 2*math.Pi*rng.Float64()) })
	l = account(t, seattest.Exact(dense, 30, constant(1)), turning, nil, Config{})
	if math.Abs(l.GainOverLouderDB-3.0103) > 0.13 { // 10 000 phases: standard deviation 0.043 dB
		t.Errorf("incoherent: %.3f dB, want 3.01", l.GainOverLouderDB)
	}
}

// An offset of half a period cancels at f = 1/(2τ) and nowhere near
// (testdata/reference/comb.csv).
func TestHalfPeriodCancels(t *testing.T) {
	fine := seattest.LogGrid(460, 540, 1400)
	lowest, at := math.Inf(1), 0.0
	for i := range len(fine) - 4 {
		l := account(t, seattest.Exact(fine, 30, later(10)), seattest.Exact(fine, 30, later(11)), nil,
			Config{Band: Band{fine[i], fine[i+4]}, MaxOffsetMs: 3})
		if l.GainOverLouderDB < lowest {
			lowest, at = l.GainOverLouderDB, fine[i+2]
		}
	}
	if math.Abs(at-500) > 0.3 || lowest > -50 {
		t.Errorf("1 ms: %.1f dB at %.2f Hz, want a null at 500 Hz", lowest, at)
	}
}

// A pure delay belongs to time alone, and the compensation of each take is put back.
func TestOffsetIsIndependentOfCompensation(t *testing.T) {
	whole := account(t, exact(later(20)), exact(later(27.4)), nil, Config{})
	a, b := exact(later(0)), exact(later(0.4))
	a.DelayS, b.DelayS = 0.020, 0.027
	apart := account(t, a, b, nil, Config{})
	for _, l := range []*Ledger{whole, apart} {
		if math.Abs(l.OffsetMs-7.4) > 1e-6 || l.Sign != 1 {
			t.Errorf("offset %.7f ms, sign %d, want 7.4 ms, same", l.OffsetMs, l.Sign)
		}
		for i, row := range l.Rows {
			if want := (i == 3); want != (math.Abs(row.ChangeDB) > 1e-6) {
				t.Errorf("row %s: %.9f dB", row.Cause, row.ChangeDB)
			}
		}
	}
	if math.Abs(whole.GainOverLouderDB-apart.GainOverLouderDB) > 1e-6 {
		t.Errorf("%.9f dB and %.9f dB", whole.GainOverLouderDB, apart.GainOverLouderDB)
	}
}

// In a band of a third of an octave a polarity passes for half a period of delay.
func TestPolarityOfANarrowBandIsUndecided(t *testing.T) {
	l := account(t, exact(constant(1)), exact(constant(-1)), nil, Config{Band: Band{90, 113}})
	if l.Sign != 0 {
		t.Errorf("sign %d in a third of an octave, want undecided", l.Sign)
	}
}

func TestOverlapIsWhereBothAreHeardAndClose(t *testing.T) {
	// Slopes of 24 dB an octave around 200 Hz up, 1600 Hz down: 10 dB apart 10/24 octave beyond.
	a := exact(func(f float64) complex128 { return complex(min(1, math.Pow(f/200, 4)), 0) })
	b := exact(func(f float64) complex128 { return complex(min(1, math.Pow(1600/f, 4)), 0) })
	band, err := Overlap(DefaultMaxDifferenceDB, [2]*response.Spectra{a, b})
	if err != nil {
		t.Fatal(err)
	}
	low, high := 200*math.Exp2(-10.0/24), 1600*math.Exp2(10.0/24)
	// Smoothing over a third of an octave moves a corner by less than a twelfth of an octave.
	if math.Abs(math.Log2(band.LowHz/low)) > 1.0/12 || math.Abs(math.Log2(band.HighHz/high)) > 1.0/12 {
		t.Errorf("overlap %v, want %.0f to %.0f Hz", band, low, high)
	}
	// Nothing is trusted below 500 Hz in b.
	for k, f := range b.FrequencyHz {
		if f < 500 {
			b.Gyy[k] *= 100
		}
	}
	if band, err = Overlap(DefaultMaxDifferenceDB, [2]*response.Spectra{a, b}); err != nil || band.LowHz < 450 || band.LowHz > 550 {
		t.Errorf("overlap %v, %v, want it to start at 500 Hz", band, err)
	}
}

func TestWhatCannotBeAccounted(t *testing.T) {
	one := exact(constant(1))
	rate, window, short := exact(constant(1)), exact(constant(1)), seattest.Exact(grid[1:], 30, constant(1))
	rate.SampleRateHz = 96000
	window.Window = 4096
	other := seattest.Exact(seattest.LogGrid(21, 21000, 48)[:len(grid)], 30, constant(1))
	silent := exact(constant(0))
	noise := exact(constant(1))
	for k := range noise.Gyy {
		noise.Gyy[k] = 1e4
	}
	quiet := exact(constant(0.1))
	for name, test := range map[string]struct {
		a, b, both *response.Spectra
		cfg        Config
		want       string
	}{
		"a take missing":  {a: one, want: "missing"},
		"rates":           {a: one, b: rate, want: "one sample rate"},
		"windows":         {a: one, b: one, both: window, want: "one window"},
		"lengths":         {a: one, b: short, want: "one grid"},
		"grids":           {a: one, b: other, want: "one grid"},
		"silence":         {a: one, b: silent, want: "play louder"},
		"noise":           {a: noise, b: one, want: "play louder"},
		"no overlap":      {a: one, b: quiet, want: "20.0 dB"},
		"band upside":     {a: one, b: one, cfg: Config{Band: Band{500, 100}}, want: "LOW < HIGH"},
		"band elsewhere":  {a: one, b: one, cfg: Config{Band: Band{21000, 22000}}, want: "another band"},
		"both has no ref": {a: one, b: one, both: silentReference(), want: "no reference"},
	} {
		_, err := Account(test.a, test.b, test.both, test.cfg)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v, want %q", name, err, test.want)
		}
	}
}

func silentReference() *response.Spectra {
	s := exact(constant(1))
	clear(s.Gxx)
	return s
}
