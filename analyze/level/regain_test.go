package level

import (
	"math"
	"testing"
)

// What was measured 7 dB too loud reads, once that is said, as if it had not been;
// the levels of now, and what comes after, are as they are.
func TestRegain(t *testing.T) {
	const rate, db = 48000, 7.0
	x := coloured(5, 1<<18, rate, 20, 20000, 3)[:3*rate]
	loud := make([]float64, len(x))
	for i := range x {
		x[i] *= 0.02
		loud[i] = x[i] * math.Pow(10, db/20)
	}
	right, wrong := newMeter(t, Config{SampleRateHz: rate, Bands: 3}), newMeter(t, Config{SampleRateHz: rate, Bands: 3})
	var took Reading
	right.Feed(x)
	right.Take(&took)
	wrong.Feed(loud)
	wrong.Take(&took)
	now := took.LAFDB
	wrong.Skip(10 * rate)
	right.Skip(10 * rate)
	wrong.Regain(-db)
	want, got := read(right), read(wrong)
	for name, pair := range map[string][2]float64{
		"LAeq": {got.LAeqDB, want.LAeqDB}, "LCeq": {got.LCeqDB, want.LCeqDB}, "LZeq": {got.LZeqDB, want.LZeqDB}, "LAE": {got.LAEDB, want.LAEDB},
		"LAFmax": {got.LAFMaxDB, want.LAFMaxDB}, "LASmax": {got.LASMaxDB, want.LASMaxDB},
		"LCFmax": {got.LCFMaxDB, want.LCFMaxDB}, "LCSmax": {got.LCSMaxDB, want.LCSMaxDB},
		"LCpeak": {got.LCPeakDB, want.LCPeakDB}, "LZpeak": {got.LZPeakDB, want.LZPeakDB},
		"LAF": {got.LAFDB, now}, "duration": {got.DurationS, want.DurationS},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-9 {
			t.Errorf("%s is %.6f, want %.6f", name, pair[0], pair[1])
		}
	}
	for name, pair := range map[string][2]float64{"L10": {got.L10DB, want.L10DB}, "L50": {got.L50DB, want.L50DB}, "L90": {got.L90DB, want.L90DB}} {
		if math.Abs(pair[0]-pair[1]) > 0.1 { // a bin
			t.Errorf("%s is %.3f, want %.3f", name, pair[0], pair[1])
		}
	}
	for k := range want.BandLeqDB {
		if math.Abs(got.BandLeqDB[k]-want.BandLeqDB[k]) > 1e-9 {
			t.Errorf("band %d is %.6f, want %.6f", k, got.BandLeqDB[k], want.BandLeqDB[k])
		}
	}
	slid, over := wrong.Sliding(1)
	if db, s := right.Sliding(1); math.Abs(slid-db) > 1e-9 || over != s || s != 3 {
		t.Errorf("%.6f dB over %g s, want %.6f over %g", slid, over, db, s)
	}
	right.Regain(1e9) // beyond all levels there are
	if r := read(right); !(r.L50DB > 200) {
		t.Errorf("L50 is %g", r.L50DB)
	}
}
