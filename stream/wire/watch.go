package wire

// Types of the messages of the watch.
const (
	TypeWatch = "watch"
	TypeEvent = "event"
)

// WatchMessage carries all watches: on connect, on change, and once a second.
type WatchMessage struct {
	Type  string  `json:"type"`
	Watch Watches `json:"watch"`
}

// EventMessage carries an event: when it is found, when it is acknowledged or
// commented, and when its audio is stored.
type EventMessage struct {
	Type  string `json:"type"`
	Event Event  `json:"event"`
}

// Watches are the microphones that are compared with a baseline, by channel.
type Watches struct {
	Revision uint64  `json:"revision"`
	Watches  []Watch `json:"watches"`
}

// WatchRequest compares a microphone with a take from now on.
type WatchRequest struct {
	Microphone int   `json:"microphone"` // channel
	Take       int64 `json:"take"`       // the baseline: everything playing, all well, 12 s of audio or more
}

// WatchStop ends the watch of a microphone.
type WatchStop struct {
	Microphone int `json:"microphone,omitempty"` // 0: all
}

// States of a watch.
const (
	WatchLearning = "learning" // from the take
	WatchListens  = "watching"
	WatchPaused   = "paused" // while what plays is changed on purpose; Text says why
	WatchFailed   = "failed" // Text says why
)

// Watch compares one microphone with its baseline.
type Watch struct {
	Microphone int    `json:"microphone"` // channel
	State      string `json:"state"`      // "learning", "watching", "paused" or "failed"
	Take       int64  `json:"take"`
	TakeName   string `json:"take_name"`
	Seat       int64  `json:"seat"` // of the take; 0 none
	SeatName   string `json:"seat_name"`
	Since      string `json:"since"` // RFC 3339
	By         string `json:"by"`
	Resumed    bool   `json:"resumed"` // the show kept it: it went on when that was opened

	Headline  string `json:"headline"`  // what has happened and what to do, in at most 70 characters
	Text      string `json:"text"`      // a sentence: what it means now
	Certainty string `json:"certainty"` // as of a Verdict
	Mark      string `json:"mark"`      // "steady", "attention" or "act"

	Loudspeakers []WatchedPart `json:"loudspeakers"`
	Wrong        *WatchChange  `json:"wrong"` // null: as the baseline, as far as is known

	// Difference to the baseline, in the air of now, of what is heard of the
	// reference, over the last few seconds, by third of an octave.
	LowHz        []float64 `json:"low_hz"`
	HighHz       []float64 `json:"high_hz"`
	DifferenceDB Values    `json:"difference_db"`
	ErrorDB      Values    `json:"error_db"` // half width of its 95 % interval

	WithinDB Value `json:"within_db"`   // largest difference in the bands known to ±0.5 dB; null: none is
	AsItWasS Value `json:"as_it_was_s"` // as the baseline for so long; null while something is wrong
	// Temperature of the air, as the delays tell it.
	TemperatureC         Value  `json:"temperature_c"`
	BaselineTemperatureC Value  `json:"baseline_temperature_c"`
	Breaks               uint64 `json:"breaks"` // in what was heard, since the start
	Events               uint64 `json:"events"`
}

// WatchedPart is a loudspeaker or an arrival that can change by itself.
type WatchedPart struct {
	Name    string `json:"name"`
	Take    int64  `json:"take"` // of it alone; 0: its arrival in the baseline
	DelayMs Value  `json:"delay_ms"`
}

// WatchChange is what is different from the baseline.
type WatchChange struct {
	// Kind is "flipped", "lost", "level changed", "band lost", "band changed",
	// "arrival moved", "microphone moved", "in the way", "noise rose", "input lost",
	// "input back", "as before" or "limit crossed".
	Kind     string `json:"kind"`
	What     string `json:"what"`      // loudspeaker or arrival; empty: all of them
	LowHz    Value  `json:"low_hz"`    // of a band; else null
	HighHz   Value  `json:"high_hz"`   // likewise
	ChangeDB Value  `json:"change_db"` // of a level; else null
	ShiftMs  Value  `json:"shift_ms"`  // of an arrival, positive is later; else null
}

// Event is a change that was found.
type Event struct {
	ID         int64  `json:"id"`         // 0: no show keeps it
	At         string `json:"at"`         // when it was found, RFC 3339
	OnsetAt    string `json:"onset_at"`   // when the evidence begins
	Microphone int    `json:"microphone"` // channel
	Seat       int64  `json:"seat"`       // 0 none
	SeatName   string `json:"seat_name"`
	Take       int64  `json:"take"` // the baseline; 0 none
	WatchChange
	Confidence Value   `json:"confidence"` // 0…1, against all other kinds of change, known or not
	Certainty  string  `json:"certainty"`  // "sure", "likely" or "cannot tell"
	Mark       string  `json:"mark"`       // "steady", "attention" or "act"
	Text       string  `json:"text"`       // a sentence
	Audio      AudioOf `json:"audio"`

	Acknowledged   bool   `json:"acknowledged"`
	AcknowledgedBy string `json:"acknowledged_by"`
	AcknowledgedAt string `json:"acknowledged_at"`
	Comment        string `json:"comment"`
}

// AudioOf says what audio is kept of an event.
type AudioOf struct {
	SampleRateHz int     `json:"sample_rate_hz"` // 0: none, or not yet
	Seconds      float64 `json:"seconds"`
	EventS       float64 `json:"event_s"` // where in it the event was found
	Undo         int64   `json:"undo"`    // brings it back after it was deleted; 0: it was not, or is gone
}

// EventPatch changes what people say about an event; what is absent stays.
type EventPatch struct {
	Acknowledged *bool   `json:"acknowledged,omitempty"`
	Comment      *string `json:"comment,omitempty"`
}

// Events are stored events, the newest first.
type Events struct {
	Events []Event `json:"events"`
}
