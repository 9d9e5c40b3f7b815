package arrival

// Arrival is one copy of the reference in the microphone's signal.
type Arrival struct {
	DelayMs   float64 // microphone later than reference is positive
	DelaySDMs float64 // one standard deviation
	LevelDB   float64 // re the strongest arrival, ≤ 0
	// Sign is how its loudspeaker is wired: +1 same, −1 opposite, 0 undecided. It is
	// what package polarity says of the sound around the arrival alone, so where that
	// does not reach down far enough, or another arrival is too near, it is undecided.
	Sign int
	// front is the sign of its first lobe, so of its highest frequencies, which a
	// crossover may reverse by design.
	front int
	own   told
}

// told is what the gate around an arrival told.
type told struct {
	sign       int
	confidence float64
	lowHz      float64 // from where to where
	highHz     float64
}
