package summation

import (
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

// Ledgers of rooms and of noisy seats, with their pairs, offsets and slopes, are as
// before.
func TestUnchanged(t *testing.T) {
	type seen struct {
		Band      Band
		Offset    Offset
		Cells     []int
		Clear     bool
		VarianceA []float64
		VarianceB []float64
		Slopes    Slopes
		Ledger    *Ledger
		Err       string
		A, B      []complex128 // drawn
		Heard     [2]int       // points of A and B
		Given     *Ledger      // with an offset that is known already
	}
	var all []seen
	for seed := range uint64(4) {
		rng := rand.New(rand.NewPCG(seed, 21))
		a, b := rooms(seed)
		snr := 30.
		if seed%2 == 1 {
			a, b = noisySeat(rng)
			snr = 12
		}
		var s [3]*response.Spectra
		for i, paths := range [][]seattest.Path{{a}, {b}, {a, b}} {
			ref, mic := seattest.RecordN(rng, 1<<18, 0, snr, paths...)
			s[i] = seattest.Welch(ref, mic, 8192, a.Copies[0].DelayMs)
		}
		var x seen
		var err error
		if x.Band, err = Overlap(10, [2]*response.Spectra{s[0], s[1]}); err != nil {
			x.Err = err.Error()
			all = append(all, x)
			continue
		}
		pair, err := NewPair(s[0], s[1], x.Band)
		if err != nil {
			t.Fatal(err)
		}
		x.Offset = pair.Offset(20)
		x.Cells, x.Clear = pair.Cells(), pair.Clear()
		for k := range x.Cells {
			va, vb := pair.Variances(k)
			x.VarianceA, x.VarianceB = append(x.VarianceA, va), append(x.VarianceB, vb)
		}
		x.Slopes = pair.Slopes(x.Offset.Ms, 3)
		if x.Ledger, err = pair.Account(s[2], Config{A: "main", B: "fill"}); err != nil {
			t.Fatal(err)
		}
		for i := range x.Heard {
			for _, h := range heard(s[i]) {
				if h {
					x.Heard[i]++
				}
			}
		}
		if x.Given, err = pair.Account(s[2], Config{Offset: &Offset{Ms: x.Offset.Ms + 0.1, Sign: -x.Offset.Sign}}); err != nil {
			t.Fatal(err)
		}
		belief := pair.Belief(x.Offset)
		x.A, x.B = make([]complex128, len(x.Cells)), make([]complex128, len(x.Cells))
		belief.Draw(x.A, x.B, rng.NormFloat64)
		all = append(all, x)
	}
	golden.Check(t, "ledgers", all)

	var combs []Comb
	for _, ms := range []float64{0.3, -2, 7.1, 40} {
		for _, sign := range []int{1, -1} {
			combs = append(combs, NewComb(ms, 3*ms, sign, Band{50, 12345}))
		}
	}
	golden.Check(t, "combs", combs)
}
