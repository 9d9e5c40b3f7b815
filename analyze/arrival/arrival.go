// Package arrival finds when the sound of the reference reaches a microphone:
// up to five arrivals, each with time, level, sign and standard deviation.
package arrival

// Arrival is one copy of the reference in the microphone's signal.
type Arrival struct {
	DelayMs   float64 // microphone later than reference is positive
	DelaySDMs float64 // one standard deviation
	LevelDB   float64 // re the strongest arrival, ≤ 0
	Sign      int     // +1 same, −1 opposite, 0 undecided
}
