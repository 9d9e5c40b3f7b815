package survey

import "time"

// Ramp is the level of the test signal over time: it comes out of silence at
// FromDBFS and rises evenly in dB to ToDBFS. Levels are RMS, a full-scale sine
// wave is 0 (AES17).
type Ramp struct {
	FromDBFS, ToDBFS float64
	S                float64 // seconds
}

// At is the level at a time from the beginning.
func (r Ramp) At(t time.Duration) float64 {
	switch x := t.Seconds() / r.S; {
	case x <= 0:
		return r.FromDBFS
	case x < 1:
		return r.FromDBFS + x*(r.ToDBFS-r.FromDBFS)
	}
	return r.ToDBFS
}
