package arrival

// Arrival is one copy of the reference in the microphone's signal.
type Arrival struct {
	DelayMs   float64 // microphone later than reference is positive
	DelaySDMs float64 // one standard deviation
	LevelDB   float64 // re the strongest arrival, ≤ 0
	// Sign is that of its first lobe, so of its highest frequencies: +1 same,
	// −1 opposite, 0 undecided. A crossover may reverse those by design: how a
	// loudspeaker is wired is for package polarity to say.
	Sign int
}
