package wire

import (
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/setting"
)

// States of a survey.
const (
	SurveyIdle      = "idle"
	SurveyRamping   = "ramping"   // the test signal rises from silence
	SurveyMeasuring = "measuring" // until the interval is narrow enough
	SurveyStoring   = "storing"
	SurveyAsking    = "asking" // in silence, at which seat to store: see Doubts
	SurveyDone      = "done"
	SurveyStopped   = "stopped" // by somebody, or because who started it is gone
	SurveyFailed    = "failed"
)

// Purposes of a survey.
const (
	PurposeSurvey = "survey" // one alone, the other alone, both
	PurposeVerify = "verify" // both, with a plan dialled in
)

// Survey is what the survey is doing, or how the last one ended.
type Survey struct {
	Revision  uint64   `json:"revision"` // as in State
	State     string   `json:"state"`
	Purpose   string   `json:"purpose"` // "survey" or "verify"; empty before the first
	Seat      int64    `json:"seat"`    // of the first microphone; 0 none
	Main      string   `json:"main"`
	Fill      string   `json:"fill"`
	Playing   []string `json:"playing"` // loudspeakers of this step
	Step      int      `json:"step"`    // from 1
	Steps     int      `json:"steps"`
	Done      float64  `json:"done"`        // of what this step is to reach, 0…1
	Remaining Value    `json:"remaining_s"` // of this step, predicted
	LevelDBFS Value    `json:"level_dbfs"`  // of the test signal, RMS; null: silent
	CapDBFS   float64  `json:"cap_dbfs"`
	Text      string   `json:"text"`  // what is happening and what is next
	Takes     []int64  `json:"takes"` // stored by this survey
	// Plays names the loudspeakers that the daemon can play by itself; none: by
	// hand, and PlaysReason says why.
	Plays        []string      `json:"plays"`
	PlaysReason  string        `json:"plays_reason"`
	Verification *Verification `json:"verification"` // its outcome; null before, and of a survey
	Doubts       []SeatDoubt   `json:"doubts"`       // while it asks: microphones that hear what another seat does, ascending
	By           string        `json:"by"`
}

// Running says that sound is or will be on, or that an answer is waited for.
func (s *Survey) Running() bool {
	return s.State == SurveyRamping || s.State == SurveyMeasuring || s.State == SurveyStoring || s.State == SurveyAsking
}

// SeatDoubt says that the arrival times of a microphone are those of another seat than the
// one that was chosen.
type SeatDoubt struct {
	Microphone int         `json:"microphone"` // channel
	Chosen     int64       `json:"chosen"`     // the seat it was to be
	ChosenName string      `json:"chosen_name"`
	Found      int64       `json:"found"` // the seat whose times these are
	FoundName  string      `json:"found_name"`
	Times      []SeatTimes `json:"times"` // of each loudspeaker, by which this is told
}

// SeatTimes is when a loudspeaker arrives, with what was set in the processor and is known
// taken off.
type SeatTimes struct {
	Loudspeaker string `json:"loudspeaker"`
	HeardMs     Value  `json:"heard_ms"`
	FoundMs     Value  `json:"found_ms"`
	ChosenMs    Value  `json:"chosen_ms"` // null: it was never measured there
}

// SurveyTrace is what the step that is being measured has shown so far: what its take would
// be if it ended now. It grows, and its intervals shrink.
type SurveyTrace struct {
	Step        int               `json:"step"` // 0: nothing is known yet
	Playing     []string          `json:"playing"`
	HeardS      float64           `json:"heard_s"`
	Microphones []MicrophoneTrace `json:"microphones"`
}

// MicrophoneTrace is the response at one microphone, over a sixth of an octave about each
// point; all are of one length. The interval is that of 95 %.
type MicrophoneTrace struct {
	Microphone  int       `json:"microphone"` // channel
	Seat        int64     `json:"seat"`
	FrequencyHz []float64 `json:"frequency_hz"`
	MagnitudeDB Values    `json:"magnitude_db"`
	LowDB       Values    `json:"low_db"`
	HighDB      Values    `json:"high_db"`
	Coherence   Values    `json:"coherence"`
	Threshold   Values    `json:"threshold"` // of coherence, above which the point is trusted
}

// What is to become of takes whose arrival times are another seat's.
const (
	StoreFound  = "found"  // stored at that seat
	StoreChosen = "chosen" // stored where they were to be, with a remark
	StoreNone   = "none"   // not stored; the survey ends
)

// SurveyAnswer answers a survey that asks.
type SurveyAnswer struct {
	Store string `json:"store"` // "found", "chosen" or "none"
}

// Settle checks it.
func (a *SurveyAnswer) Settle() error {
	if a.Store != StoreFound && a.Store != StoreChosen && a.Store != StoreNone {
		return refuse("store", "store at the seat that was \"found\", at the \"chosen\" one, or \"none\" of it, not %q", a.Store)
	}
	return nil
}

// TypeSurvey is the type of a SurveyMessage.
const TypeSurvey = "survey"

// SurveyMessage carries the survey: on connect and on every change.
type SurveyMessage struct {
	Type   string `json:"type"`
	Survey Survey `json:"survey"`
}

// Limits of the test signal, dBFS RMS (a full-scale sine wave is 0: AES17).
const (
	StartLevelDBFS = -40 // where the ramp begins, after silence
	DefaultCapDBFS = -20
	HighestCapDBFS = -6 // the cap may be raised by hand to this
	MinLevelDBFS   = -60
)

// Goal is when a take is sure enough: a 95 % interval of ±WithinDB over 95 % of
// the band, counted in octaves. Edges of 0 stand for what the loudspeaker plays,
// and of a band set by hand only what it plays counts.
type Goal struct {
	WithinDB float64 `json:"within_db,omitempty"` // absent: 1
	LowHz    float64 `json:"low_hz,omitempty"`
	HighHz   float64 `json:"high_hz,omitempty"`
}

// DefaultGoal is that of a survey nobody has set.
var DefaultGoal = Goal{WithinDB: 1}

// What an edge of 0 stands for beside one that is set.
const lowestEdgeHz, highestEdgeHz = 20, 20000

func (g *Goal) settle() error {
	set := func(x *float64, to float64) {
		if *x == 0 {
			*x = to
		}
	}
	set(&g.WithinDB, DefaultGoal.WithinDB)
	if g.LowHz != 0 || g.HighHz != 0 {
		set(&g.LowHz, lowestEdgeHz)
		set(&g.HighHz, highestEdgeHz)
	}
	low, high := g.LowHz, g.HighHz
	if low == 0 && high == 0 {
		low, high = lowestEdgeHz, highestEdgeHz
	}
	return Refused(setting.CheckGoal("", g.WithinDB, low, high))
}

// Seats says which microphone stands at which seat.
type Seats struct {
	Seat  int64            `json:"seat,omitempty"`  // of the first microphone
	Seats map[string]int64 `json:"seats,omitempty"` // by channel; instead of seat
}

// Of is the seats by channel; first is the channel of the first microphone.
func (s Seats) Of(microphones []int) (map[int]int64, error) {
	out := map[int]int64{}
	if len(s.Seats) == 0 {
		if s.Seat <= 0 {
			return nil, refuse("seat", "say which seat the microphone stands at")
		}
		if len(microphones) == 0 {
			return nil, refuse("seat", "no microphone is measured: choose one on the Listen page")
		}
		out[microphones[0]] = s.Seat
		return out, nil
	}
	if s.Seat != 0 {
		return nil, refuse("seats", "give seat for the first microphone, or seats for several, not both")
	}
	seen := map[int64]bool{}
	for key, seat := range s.Seats {
		channel, err := strconv.Atoi(key)
		if err != nil || !slices.Contains(microphones, channel) {
			return nil, refuse("seats", "channel %q is no microphone here: choose among %s", key, list(microphones))
		}
		if seat <= 0 || seen[seat] {
			return nil, refuse("seats", "each microphone needs a seat of its own")
		}
		seen[seat] = true
		out[channel] = seat
	}
	return out, nil
}

// SurveyRequest asks for a survey of main alone, fill alone, and both.
type SurveyRequest struct {
	Seats
	Main string `json:"main"`
	Fill string `json:"fill"`
	Goal
	LevelDBFS *float64 `json:"level_dbfs,omitempty"` // RMS; absent: -20
	// CapDBFS raises the cap by hand; absent: −20.
	CapDBFS *float64 `json:"cap_dbfs,omitempty"`
}

// Settle fills in what was left out and checks the rest.
func (r *SurveyRequest) Settle() error {
	if err := checkPair(r.Main, r.Fill); err != nil {
		return err
	}
	if err := settleLevel(&r.LevelDBFS, &r.CapDBFS); err != nil {
		return err
	}
	return r.Goal.settle()
}

func checkPair(main, fill string) error {
	switch {
	case strings.TrimSpace(main) == "" || strings.TrimSpace(fill) == "":
		return refuse("loudspeakers", "name two loudspeakers: main and fill")
	case main == fill:
		return refuse("loudspeakers", "main and fill are both %q: choose two different loudspeakers", main)
	}
	return nil
}

func settleLevel(level, ceiling **float64) error {
	limit := float64(DefaultCapDBFS)
	if *ceiling != nil {
		limit = **ceiling
	}
	if !within(limit, MinLevelDBFS, HighestCapDBFS) {
		return refuse("cap_dbfs", "the cap of the test signal must lie between %d and %d dBFS, not %g", MinLevelDBFS, HighestCapDBFS, limit)
	}
	to := min(DefaultCapDBFS, limit)
	if *level != nil {
		to = **level
	}
	switch {
	case !within(to, MinLevelDBFS, 0):
		return refuse("level_dbfs", "the level of the test signal must lie between %d and %g dBFS, not %g", MinLevelDBFS, limit, to)
	case to > limit:
		return refuse("level_dbfs", "%g dBFS is above the cap of %g dBFS: protect your hearing, then raise cap_dbfs by hand (up to %d)", to, limit, HighestCapDBFS)
	}
	*level, *ceiling = &to, &limit
	return nil
}

// TakeSettings is how a take was made: what the show keeps as its settings.
type TakeSettings struct {
	Goal      Goal            `json:"goal"`
	Done      float64         `json:"done"`       // of the band that reached it, 0…1
	LevelDBFS Value           `json:"level_dbfs"` // of the daemon's test signal; null: by hand
	Plan      int64           `json:"plan"`       // that was being verified; 0 none
	Dialled   map[string]Dial `json:"dialled"`    // what was known to be set, by loudspeaker
}

// Dial is what is set for one loudspeaker.
type Dial struct {
	DelayMs  float64 `json:"delay_ms"`
	Polarity string  `json:"polarity"` // "same" or "opposite"
	GainDB   float64 `json:"gain_db"`
}
