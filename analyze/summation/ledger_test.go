package summation

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	claims "plumbline/analyze/internal/truth"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

// trueRows computes the definition of the ledger's rows from true responses,
// 3000 points an octave, with the best delay by brute force.
func trueRows(band Band, a, b seattest.Path, around float64) (rows [5]float64, offsetMs float64) {
	var pa, pb, m, r0 float64
	f := seattest.LogGrid(band.LowHz, band.HighHz, 3000)
	cross := make([]complex128, len(f))
	for k := range f {
		ha, hb := a.Response(f[k]), b.Response(f[k])
		pa += power(ha) / float64(len(f))
		pb += power(hb) / float64(len(f))
		m += cmplx.Abs(ha) * cmplx.Abs(hb) / float64(len(f))
		cross[k] = cmplx.Conj(ha) * hb / complex(float64(len(f)), 0)
		r0 += real(cross[k])
	}
	best, sign := math.Inf(-1), 1.0
	for ms := around - 2; ms <= around+2; ms += 0.004 {
		r := correlation(f, cross, ms/1e3)
		if math.Abs(r) > best {
			best, sign, offsetMs = math.Abs(r), math.Copysign(1, r), ms
		}
	}
	s := []float64{
		4 * max(pa, pb), square(math.Sqrt(pa) + math.Sqrt(pb)), pa + pb + 2*m,
		pa + pb + 2*best, pa + pb + 2*sign*r0, pa + pb + 2*r0,
	}
	for i := range rows {
		rows[i] = 10 * math.Log10(s[i+1]/s[i])
	}
	return rows, offsetMs
}

func checkSum(t *testing.T, l *Ledger) {
	t.Helper()
	sum := l.IdealGainDB
	for _, row := range l.Rows {
		sum += row.ChangeDB
		if math.IsNaN(row.ChangeDB) || math.IsInf(row.ChangeDB, 0) || math.IsNaN(row.LowDB) || math.IsNaN(row.HighDB) {
			t.Errorf("row %+v is not finite", row)
		}
	}
	if math.Abs(sum-l.GainOverLouderDB) > 1e-9 || math.Abs(l.LevelBothDB-max(l.LevelADB, l.LevelBDB)-l.GainOverLouderDB) > 1e-9 {
		t.Errorf("the rows add up to %.12f dB, the gain is %.12f dB", sum, l.GainOverLouderDB)
	}
}

func rooms(seed uint64) (a, b seattest.Path) {
	rng := rand.New(rand.NewPCG(seed, 3))
	a = seattest.Path{Copies: []seattest.Copy{{DelayMs: 21, Gain: 0.3}}, LowHz: 60, HighHz: 16000}
	b = seattest.Path{Copies: []seattest.Copy{{DelayMs: 21 + 6*rng.Float64() - 3, Gain: 0.3 * (0.6 + 0.8*rng.Float64())}}, LowHz: 110, HighHz: 12000}
	if seed%2 == 1 {
		b.Copies[0].Gain *= -1
	}
	return a.Reflect(rng, 8, 4, 60, 0.5), b.Reflect(rng, 8, 4, 60, 0.5)
}

// Each row lies within 0.2 dB of its definition computed from the truth, on
// noisy recordings of two boxes with reflections.
func TestRowsAgainstTruth(t *testing.T) {
	seeds, worst := uint64(2), 0.0
	if os.Getenv("PLUMBLINE_TRUTH") != "" {
		seeds = 8
	}
	for seed := range seeds {
		a, b := rooms(seed)
		rng := rand.New(rand.NewPCG(seed, 4))
		measure := func(paths ...seattest.Path) *response.Spectra {
			ref, mic := seattest.Record(rng, 15, paths...)
			return seattest.Welch(ref, mic, 65536, paths[0].Copies[0].DelayMs)
		}
		l, err := Account(measure(a), measure(b), measure(a, b), Config{})
		if err != nil {
			t.Fatal(err)
		}
		checkSum(t, l)
		want, offset := trueRows(l.Band, a, b, b.Copies[0].DelayMs-a.Copies[0].DelayMs)

		if math.Abs(l.OffsetMs-offset) > 0.01 {
			t.Errorf("seed %d: offset %.4f ms, by its definition %.4f ms", seed, l.OffsetMs, offset)
		}
		if wantSign := 1 - 2*int(seed%2); l.Sign != wantSign {
			t.Errorf("seed %d: sign %d, want %d", seed, l.Sign, wantSign)
		}
		for i, row := range l.Rows {
			truth := 0.0 // the rest
			if i < len(want) {
				truth = want[i]
			}

			worst = max(worst, math.Abs(row.ChangeDB-truth))
			if math.Abs(row.ChangeDB-truth) > 0.2 {
				t.Errorf("seed %d: %s %+.3f dB, by its definition %+.3f dB", seed, row.Cause, row.ChangeDB, truth)
			}
		}
	}
	claims.Claim(t, "every row of the ledger lies within 0.2 dB of its definition computed from the true responses", "the definition; constructed recordings",
		fmt.Sprintf("worst row %.3f dB off in %d rooms at 15 dB signal to noise", worst, seeds), claims.AtMost(worst, "0.2"))
}
