package crosstalk

import (
	"math"
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/programme"
)

// What is computed of channels that hear each other or do not, and how little of a leak
// is told, is as before.
func TestUnchanged(t *testing.T) {
	type looked struct {
		Leak      Leak
		Evidence  float64
		Path, Own []float64
	}
	type known struct {
		Into, Back           looked
		LimitDB, BackLimitDB float64
	}
	var all []known
	gather := func(x, y []float64) *Test {
		test := New(48000)
		for at := 0; at+test.n <= len(x); at += test.n / 2 {
			test.Add(x[at:at+test.n], y[at:at+test.n])
		}
		return test
	}
	// limit is the least gain, dB, at which told says so.
	limit := func(told func(gain float64) bool) float64 {
		low, high := -110.0, -10.0
		for range 12 {
			if mid := (low + high) / 2; told(math.Pow(10, mid/20)) {
				high = mid
			} else {
				low = mid
			}
		}
		return high
	}
	x, y := sub(3)
	takes := [][2][]float64{{x[:5*48000], y[:5*48000]}}
	for seed := range uint64(2) {
		take := programme.RandomTake(seed, 48000, 4)
		takes = append(takes, [2][]float64{take.X, take.Y})
	}
	for _, take := range takes {
		x, y := take[0], take[1]
		var k known
		into := func(gain float64) *Test { return gather(x, plus(y, x, gain)) }
		back := func(gain float64) *Test { return gather(plus(x, y, gain), y) }
		look := func(test *Test, from, to []float64, name Channel) looked {
			l := test.look(from, to, name)
			return looked{l, l.evidence, append([]float64(nil), test.x...), append([]float64(nil), test.y...)}
		}
		k.LimitDB = limit(func(gain float64) bool { return into(gain).Judge().Into == Microphone })
		k.BackLimitDB = limit(func(gain float64) bool { return back(gain).Judge().Into == Reference })
		test := into(math.Pow(10, (k.LimitDB+2)/20))
		k.Into = look(test, test.xx, test.yy, Microphone)
		test = back(math.Pow(10, (k.BackLimitDB+2)/20))
		k.Back = look(test, test.yy, test.xx, Reference)
		all = append(all, k)
	}
	golden.Check(t, "leaks", all)
}
