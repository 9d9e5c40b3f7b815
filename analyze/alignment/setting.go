package alignment

import (
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
