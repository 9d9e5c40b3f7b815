package linearity

import (
	"math"
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/programme"
)

// What each input takes away, and what each fit says of stages that are linear or not,
// is as before.
func TestUnchanged(t *testing.T) {
	var all struct {
		Taken [][]float64
		Fits  [][]Fit
		Best  []Fit
		Told  []bool
	}
	take := programme.RandomTake(4, 48000, 6)
	top := programme.Top(take.X)
	for _, in := range inputs {
		v := make([]float64, 4000)
		in.take(v, take.X[:28000], top, 48000)
		all.Taken = append(all.Taken, v)
	}
	r := programme.New(9)
	x := programme.Normalise(programme.Plucked(r, 48000, 8*48000))
	for _, c := range [][2][]float64{
		{take.X, take.Y},
		{take.X, drive(take, programme.Clip(take.X, 9))},
		{take.X, drive(take, programme.Compress(take.X, 48000, 14, 4, 0.004, 0.2))},
		{x, programme.AddNoise(r, programme.SoftClip(x, 6), 40)},
		{x, programme.AddNoise(r, programme.Compress(x, 48000, 12, 2, 0.001, 0.06), 40)},
		{x, programme.AddNoise(r, programme.Compress(x, 48000, 20, 8, 0.02, 0.3), 40)},
	} {
		test := New(48000)
		test.Reset(programme.Top(c[0]))
		for at := test.lead; at+test.n <= len(c[0]); at += test.n / 4 {
			test.Add(c[0][at-test.lead:at+test.n], c[1][at:at+test.n])
		}
		var fits []Fit
		for j := range inputs {
			fits = append(fits, test.fit(j))
		}
		best, told := test.Judge()
		all.Fits, all.Best, all.Told = append(all.Fits, fits), append(all.Best, best), append(all.Told, told)
	}
	golden.Check(t, "fits", all)
}

// What is too weak, too unsure or does too little is not told: each bound by itself, and
// beyond it told.
func TestToldFromBoundsOn(t *testing.T) {
	const windows = 9
	least := leastDB / 3
	for _, kind := range []Kind{Clipping, Fast, Slow} {
		told := Fit{Kind: kind, Strength: 0.13, Z: 6.1, AverageDB: -1.01 * least, VariesDB: 1.01 * least}
		if !told.told(windows) {
			t.Errorf("%v is not told", told)
		}
		weak, unsure, little := told, told, told
		weak.Strength, unsure.Z = leastStrength, leastZ
		if kind == Clipping {
			little.AverageDB = -least
		} else {
			little.VariesDB = least
		}
		for _, f := range []Fit{weak, unsure, little} {
			if f.told(windows) {
				t.Errorf("%v is told", f)
			}
		}
	}
	few := New(48000)
	few.Reset(1)
	take := programme.RandomTake(4, 48000, 6)
	y := drive(take, programme.Clip(take.X, 12))
	for i := range leastWindows {
		if _, notLinear := few.Judge(); notLinear {
			t.Errorf("told from %d windows", i)
		}
		at := few.lead + i*few.n/2
		few.Add(take.X[at-few.lead:at+few.n], y[at:at+few.n])
	}
	if math.IsNaN(few.fit(0).Z) {
		t.Error("no deviate")
	}
}
