package alignment

import (
	"cmp"
	"slices"

	"plumbline/analyze/response"
)

// Setting is what is dialled in for loudspeaker B against loudspeaker A.
type Setting struct {
	DelayMs float64 // of B; negative: A has to wait
	Sign    int     // polarity of B: +1 as it is, −1 turned
	GainDB  float64 // of B
}

// Wait names the loudspeaker that gets the delay, "A" or "B", and the delay in
// ms, which is never negative.
func (s Setting) Wait() (who string, delayMs float64) {
	if s.DelayMs < 0 {
		return "A", -s.DelayMs
	}
	return "B", s.DelayMs
}

// Apply sets dst to what src would have been, had its loudspeaker been set so.
// dst may be src.
func (s Setting) Apply(dst, src *response.Spectra) {
	response.Turn(dst, src, response.Turned{DelayS: s.DelayMs / 1e3, Sign: s.Sign, GainDB: s.GainDB})
}

// Chain aligns several loudspeakers, pair by pair against the first, the main:
// takes[i] are loudspeaker i's at every seat. The settings are of each
// loudspeaker by itself, none of them a negative delay: when the main has to
// wait for one, all that were aligned to it wait as well. results[i] is the pair
// main and i, nil for the main.
func Chain(takes [][]*response.Spectra, cfg Config) (settings []Setting, results []*Result, err error) {
	settings = make([]Setting, len(takes))
	results = make([]*Result, len(takes))
	for i := range takes {
		settings[i].Sign = 1
		if i == 0 {
			continue
		}
		seats := make([]Seat, len(takes[i]))
		for k := range seats {
			if k >= len(takes[0]) {
				return nil, nil, errMissing(k)
			}
			seats[k] = Seat{A: takes[0][k], B: takes[i][k]}
		}
		problem, err := New(cfg, seats)
		if err != nil {
			return nil, nil, err
		}
		results[i] = problem.Solve()
		settings[i] = results[i].Plan
	}
	if len(settings) == 0 {
		return settings, results, nil
	}
	// The main's delay is 0 on this axis; who is earliest starts.
	first := slices.MinFunc(settings, func(a, b Setting) int { return cmp.Compare(a.DelayMs, b.DelayMs) }).DelayMs
	for i := range settings {
		settings[i].DelayMs -= first
	}
	return settings, results, nil
}
