package caution

import "testing"

// What is said of references that nothing can tell apart.
func TestAsOne(t *testing.T) {
	two, four := []Input{At(1), At(2)}, []Input{At(1), At(2), At(5), At(6)}
	const next = "Pan them apart for ten seconds or play the test signal."
	for _, tt := range []struct {
		p     int
		of    []Input
		part  float64
		bands []AlikeBand
		want  string
	}{
		{1, two, 0.97, []AlikeBand{{LowHz: 20, HighHz: 203, ToBottom: true}}, "References 1 and 2 are 97 % alike below 200 Hz: nothing can tell them apart there. "},
		{0, two, 0.998, []AlikeBand{{LowHz: 20, HighHz: 20000, ToBottom: true, ToTop: true}}, "References 1 and 2 are the same: nothing can tell them apart. "},
		{0, two, 0.97, []AlikeBand{{LowHz: 20, HighHz: 98, ToBottom: true}, {LowHz: 1020, HighHz: 2210}, {LowHz: 8100, HighHz: 20000, ToTop: true}},
			"References 1 and 2 are 97 % alike below 98 Hz, from 1 kHz to 2.2 kHz and above 8.1 kHz: nothing can tell them apart there. "},
		{2, four, 0.96, []AlikeBand{{LowHz: 20, HighHz: 120, ToBottom: true}}, "Reference 5 is 96 % alike to what 1, 2 and 6 play together below 120 Hz: nothing can tell it apart there. "},
		{2, four, 1, []AlikeBand{{LowHz: 20, HighHz: 120, ToBottom: true}}, "Reference 5 is the same as what 1, 2 and 6 play together below 120 Hz: nothing can tell it apart there. "},
	} {
		if got := AsOne(tt.p, tt.of, tt.part, tt.bands).Text(); got != tt.want+next {
			t.Errorf("%q, want %q", got, tt.want+next)
		}
	}
}
