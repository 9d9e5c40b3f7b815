package polarity

// Verdict is a conclusion about wiring.
type Verdict struct {
	Sign       int     // +1 same, −1 opposite, 0 undecided
	Confidence float64 // probability that Sign is right, 0.5…1; 0 when undecided
	Reason     string  // one clause for people
	Bands      []Band  // what is known per band, ascending; may be empty
	// Several says that other arrivals of the same sound are about as loud: all
	// that is said is about the loudspeaker whose sound arrives at DelayMs.
	Several bool
	DelayMs float64 // what the verdict is about, after the reference
	// Heard is Sign as JudgeInto left it, whatever was taken or taken back since.
	Heard int
	// Fault says that a band of the other sign is not by design: there is a notch
	// between the two, so that one driver looks reversed.
	Fault bool

	// Thin says that only the lows of what is heard bear the sign out.
	Thin bool
	// Crowded says that a second sound arrives too near to tell the sign of either, by
	// whatever means.
	Crowded bool
	// Low says that less than an octave is trusted, or nothing from 560 Hz up: what
	// plays, if anything, has no sign that can be told, by whatever means.
	Low bool
	// TrustedToHz is up to where anything is trusted.
	TrustedToHz float64

	taken string // the last reason of Take, to be used again
}

// Band is the verdict within a band of frequencies.
type Band struct {
	LowHz, HighHz float64
	Sign          int
	Confidence    float64
}

// Word is the verdict as contract and page spell it: "same", "opposite" or "undecided".
func (v Verdict) Word() string {
	switch {
	case v.Sign > 0:
		return "same"
	case v.Sign < 0:
		return "opposite"
	}
	return "undecided"
}
