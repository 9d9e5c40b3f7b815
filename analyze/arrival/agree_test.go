package arrival

import (
	"testing"

	"plumbline/analyze/polarity"
)

func heard(sign int) told { return told{sign: sign, confidence: 0.999, lowHz: 282, highHz: 14125} }

// What is said of an arrival and of all that is heard, and what both are told as.
func TestAgree(t *testing.T) {
	list := func(a ...Arrival) []Arrival { return a }
	for name, c := range map[string]struct {
		list    []Arrival
		verdict polarity.Verdict
		sign    int
		several bool
		signs   []int
	}{
		"both tell the same":                      {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}), polarity.Verdict{DelayMs: 10.02, Sign: 1}, 1, false, []int{1}},
		"the room hides it, the arrival tells it": {list(Arrival{DelayMs: 10, Sign: -1, own: heard(-1)}), polarity.Verdict{DelayMs: 10, Reason: "hidden", TrustedToHz: 12589}, -1, false, []int{-1}},
		"it was told where nothing is heard":      {list(Arrival{DelayMs: 10, Sign: -1, own: heard(-1)}), polarity.Verdict{DelayMs: 10, Reason: "a sub", TrustedToHz: 800}, 0, false, []int{0}},
		"only lows are heard":                     {list(Arrival{DelayMs: 10, Sign: -1, own: heard(-1)}, Arrival{DelayMs: 14, Sign: 1, own: heard(1)}), polarity.Verdict{DelayMs: 10, Reason: "a sub", Low: true}, 0, false, []int{0, 0}},
		"only all that is heard tells it":         {list(Arrival{DelayMs: 10}), polarity.Verdict{DelayMs: 10, Sign: -1}, -1, false, []int{-1}},
		"they contradict each other":              {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}), polarity.Verdict{DelayMs: 10, Sign: -1}, 0, false, []int{0}},
		"another one as loud": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}, Arrival{DelayMs: 14, LevelDB: -3, Sign: -1, own: heard(-1)}),
			polarity.Verdict{DelayMs: 10, Sign: 1}, 1, true, []int{1, -1}},
		"a soft one beside it": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}, Arrival{DelayMs: 14, LevelDB: -14, Sign: 1, own: heard(1)}),
			polarity.Verdict{DelayMs: 10, Sign: 1}, 1, false, []int{1, 1}},
		"a soft one of the other sign": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}, Arrival{DelayMs: 14, LevelDB: -14, Sign: -1, own: heard(-1)}),
			polarity.Verdict{DelayMs: 10, Sign: 1}, 1, true, []int{1, -1}},
		"another one too near": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}, Arrival{DelayMs: 10.8, LevelDB: -3, Sign: 1, own: heard(1)}),
			polarity.Verdict{DelayMs: 10, Sign: 1}, 0, false, []int{0, 0}},
		"two that arrive as one": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}),
			polarity.Verdict{DelayMs: 10, Reason: polarity.Beside, Crowded: true, TrustedToHz: 12589}, 0, false, []int{0}},
		"a verdict on none of them": {list(Arrival{DelayMs: 10, Sign: 1, own: heard(1)}), polarity.Verdict{DelayMs: 12, Sign: 1}, 0, false, []int{1}},
	} {
		v := c.verdict
		v.Heard = v.Sign
		Agree(c.list, &v)
		if v.Sign != c.sign || v.Several != c.several || v.Sign == 0 && v.Reason == "" {
			t.Errorf("%s: %+v", name, v)
		}
		for i, a := range c.list {
			if a.Sign != c.signs[i] {
				t.Errorf("%s: arrival %d: %+v", name, i, a)
			}
		}
		before := v
		Agree(c.list, &v)
		if v.Sign != before.Sign || v.Several != before.Several || v.Reason != before.Reason {
			t.Errorf("%s, again: %+v", name, v)
		}
	}
	v := polarity.Verdict{DelayMs: 10, TrustedToHz: 12589}
	one := list(Arrival{DelayMs: 10, Sign: -1, own: heard(-1)})
	Agree(one, &v)
	if n := testing.AllocsPerRun(20, func() {
		v.Undecide("hidden")
		Agree(one, &v)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
