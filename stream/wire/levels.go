package wire

import (
	"fmt"
	"math"
	"strings"

	"plumbline/analyze/setting"
)

// The units of levels.
const (
	UnitFullScale = "dB re FS"     // re the RMS of a full-scale sine wave (AES17): not calibrated
	UnitPascal    = "dB re 20 uPa" // calibrated
)

// TypeLevels is the type of a LevelsMessage.
const TypeLevels = "levels"

// LevelsMessage carries the levels: on connect and about five times a second.
type LevelsMessage struct {
	Type   string      `json:"type"`
	Levels SoundLevels `json:"levels"`
}

// SoundLevels are the levels of all microphones, by IEC 61672-1, and the bands
// by IEC 61260-1. Unknown and silence are null.
type SoundLevels struct {
	Time          string       `json:"time"`            // RFC 3339, UTC
	BandMidHz     []float64    `json:"band_mid_hz"`     // exact; empty without bands
	BandNominalHz []float64    `json:"band_nominal_hz"` // as they are called
	Microphones   []SoundLevel `json:"microphones"`
	Log           LevelLog     `json:"log"`
}

// SoundLevel is what a sound level meter shows of one microphone, in Unit.
type SoundLevel struct {
	Microphone   int    `json:"microphone"`    // channel
	Unit         string `json:"unit"`          // UnitFullScale or UnitPascal
	CalibratedAt string `json:"calibrated_at"` // empty: never
	MeasuredS    Value  `json:"measured_s"`    // since the reset

	LAFDB Value `json:"laf_db"` // now
	LASDB Value `json:"las_db"`
	LCFDB Value `json:"lcf_db"`
	LCSDB Value `json:"lcs_db"`

	LAeq1sDB   Value  `json:"laeq_1s_db"` // the last whole second
	LCeq1sDB   Value  `json:"lceq_1s_db"`
	LAFMax1sDB Value  `json:"lafmax_1s_db"`
	LCPeak1sDB Value  `json:"lcpeak_1s_db"`
	BandDB     Values `json:"band_db"` // Leq of the bands, likewise; empty without bands

	LAeqDB   Value  `json:"laeq_db"` // since the reset
	LCeqDB   Value  `json:"lceq_db"`
	LZeqDB   Value  `json:"lzeq_db"`
	LAEDB    Value  `json:"lae_db"` // sound exposure level
	LAFMaxDB Value  `json:"lafmax_db"`
	LASMaxDB Value  `json:"lasmax_db"`
	LCFMaxDB Value  `json:"lcfmax_db"`
	LCSMaxDB Value  `json:"lcsmax_db"`
	LCPeakDB Value  `json:"lcpeak_db"`
	L10DB    Value  `json:"l10_db"` // LAF exceeded in 10 % of the time
	L50DB    Value  `json:"l50_db"`
	L90DB    Value  `json:"l90_db"`
	Clipped  uint64 `json:"clipped_samples"`

	Sliding []SlidingLevel `json:"sliding"` // 1, 5, 15, 30 and 60 min
	Limit   *LimitStatus   `json:"limit"`   // null: none is chosen
}

// SlidingLevel is LAeq over the last minutes.
type SlidingLevel struct {
	Minutes  int   `json:"minutes"`
	LAeqDB   Value `json:"laeq_db"`
	CoveredS Value `json:"covered_s"` // less than the minutes at the start
}

// States of the level log.
const (
	LogOff     = "off"     // no show is open
	LogWriting = "writing" // a row a second and microphone
	LogFailed  = "failed"  // the show takes no rows: Text says why; what waits is kept a while
)

// LevelLog is how the level log in the open show is doing.
type LevelLog struct {
	State   string `json:"state"`
	Text    string `json:"text"`    // a sentence; empty while all is well
	Rows    uint64 `json:"rows"`    // written since the start
	Waiting int    `json:"waiting"` // rows on their way to the disk
	Lost    uint64 `json:"lost"`    // rows that found no room
}

// LevelHistory is the level log over a time, in as many points as were asked
// for. Averages are energetic.
type LevelHistory struct {
	FromUnixS     float64               `json:"from_unix_s"`
	ToUnixS       float64               `json:"to_unix_s"`
	StepS         float64               `json:"step_s"`
	UnixS         []float64             `json:"unix_s"` // where each point's time begins
	BandMidHz     []float64             `json:"band_mid_hz"`
	BandNominalHz []float64             `json:"band_nominal_hz"`
	Microphones   []LevelHistoryChannel `json:"microphones"`
	Marks         []LevelMark           `json:"marks"` // oldest first
}

// LevelHistoryChannel is one microphone's; its arrays are parallel to UnixS,
// null where nothing was logged.
type LevelHistoryChannel struct {
	Microphone int    `json:"microphone"`
	Unit       string `json:"unit"` // of the newest point
	// CalibratedFromUnixS: points before it are re full scale and not
	// comparable; null when all have the same unit.
	CalibratedFromUnixS Value    `json:"calibrated_from_unix_s"`
	LAeqDB              Values   `json:"laeq_db"`
	LCeqDB              Values   `json:"lceq_db"`
	LAFMaxDB            Values   `json:"lafmax_db"`
	LCPeakDB            Values   `json:"lcpeak_db"`
	CoveredS            Values   `json:"covered_s"` // of the point's time
	BandDB              []Values `json:"band_db"`   // by band, then by point; empty unless asked for
}

// Kinds of marks.
const (
	MarkStart       = "start"       // the daemon began to log
	MarkGap         = "gap"         // samples are missing
	MarkClock       = "clock"       // the computer's clock was set
	MarkCalibration = "calibration" // of a microphone
	MarkReset       = "reset"       // of averages and budget
	MarkLost        = "lost"        // rows that could not be stored
)

// LevelMark is something to know about a place in the log.
type LevelMark struct {
	UnixS      float64 `json:"unix_s"`
	Microphone int     `json:"microphone"` // 0: all
	Kind       string  `json:"kind"`
	Text       string  `json:"text"`
}

// LimitProfile is a published limit, or one that somebody entered.
type LimitProfile struct {
	ID         string `json:"id"`
	Name       string `json:"name"`
	Source     string `json:"source"` // who published it
	Note       string `json:"note"`
	Quantity   string `json:"quantity"` // "LAeq" or "LCeq"
	LimitDB    Value  `json:"limit_db"`
	OverS      Value  `json:"over_s"`      // time base
	Sliding    bool   `json:"sliding"`     // over any such time; otherwise a dose a day
	ExchangeDB Value  `json:"exchange_db"` // dose: so much more halves the time; else null
	PeakDB     Value  `json:"peak_db"`     // limit of LCpeak; null: none
	Own        bool   `json:"own"`         // entered here, and can be deleted
}

// LimitRequest enters a limit of the level over any such time.
type LimitRequest struct {
	Name     string  `json:"name,omitempty"` // absent: what it says, such as "98 dB(A) over 15 min"
	Quantity string  `json:"quantity"`       // "LAeq" or "LCeq"
	LimitDB  float64 `json:"limit_db"`
	OverS    float64 `json:"over_s"` // whole seconds
}

// mostLimitName is how long a name may be, characters.
const mostLimitName = 40

// Settle fills in what was left out and checks the rest.
func (r *LimitRequest) Settle() error {
	weighting := map[string]string{"LAeq": "A", "LCeq": "C"}[r.Quantity]
	if weighting == "" {
		return refuse("quantity", "a limit is of \"LAeq\" or \"LCeq\", not %q", r.Quantity)
	}
	if err := Refused(setting.CheckLimit(r.LimitDB, r.OverS)); err != nil {
		return err
	}
	if r.Name = strings.TrimSpace(r.Name); r.Name == "" {
		r.Name = fmt.Sprintf("%g dB(%s) over %g min", r.LimitDB, weighting, math.Round(10*r.OverS/60)/10)
	}
	return CheckLine("name", "the name of a limit", r.Name, mostLimitName)
}

// LimitCaution goes wherever a limit is shown.
const LimitCaution = "Information only; your local rules and a qualified person decide. A limit holds where people hear it loudest, which the correction stands for."

// Limits are the profiles and the one that is followed.
type Limits struct {
	Profiles     []LimitProfile `json:"profiles"`
	Profile      string         `json:"profile"`       // ID; empty: none
	CorrectionDB float64        `json:"correction_db"` // how much louder the loudest place is than the microphone
	Caution      string         `json:"caution"`
	ChangedBy    string         `json:"changed_by"`
}

// LimitsPatch chooses; what is absent stays.
type LimitsPatch struct {
	Profile      *string  `json:"profile,omitempty"`
	CorrectionDB *float64 `json:"correction_db,omitempty"` // within ±40
}

// States of a limit.
const (
	LimitInside  = "inside"
	LimitNear    = "near" // crossed within ten minutes at this pace, or 80 % used
	LimitCrossed = "crossed"
	LimitUnknown = "cannot tell" // not calibrated, or nothing measured
)

// LimitStatus is where a microphone stands against the limit that is followed.
// Levels include the correction.
type LimitStatus struct {
	Profile      string `json:"profile"`
	State        string `json:"state"`
	Mark         string `json:"mark"` // "steady", "attention" or "act"
	Text         string `json:"text"` // a sentence
	LevelDB      Value  `json:"level_db"`
	LimitDB      Value  `json:"limit_db"`
	Used         Value  `json:"used"`         // of the budget; 1 is all
	PaceDB       Value  `json:"pace_db"`      // level of the last minute
	CrossedInS   Value  `json:"crossed_in_s"` // at this pace; 0: it is; null: never, or unknown
	PeakDB       Value  `json:"peak_db"`      // highest LCpeak
	PeakCrossed  bool   `json:"peak_crossed"`
	CorrectionDB Value  `json:"correction_db"`
	ElapsedS     Value  `json:"elapsed_s"` // counted so far
}

// CalibrationRequest has a calibrator's tone measured.
type CalibrationRequest struct {
	Microphone int     `json:"microphone"`        // channel
	LevelDB    float64 `json:"level_db"`          // of the calibrator, mostly 94 or 114
	Seconds    float64 `json:"seconds,omitempty"` // to listen, 3…20; absent: 5
	// Force stores an offset that differs from the last one by more than 3 dB.
	Force bool `json:"force,omitempty"`
}

// Settle fills in what was left out and checks the rest.
func (r *CalibrationRequest) Settle() error {
	if r.Seconds == 0 {
		r.Seconds = 5
	}
	switch {
	case r.Microphone < 1:
		return refuse("microphone", "say which microphone the calibrator sits on: its channel")
	case !within(r.LevelDB, 90, 126):
		return refuse("level_db", "the calibrator's level must lie between 90 and 126 dB, not %g: read it off the calibrator, mostly 94 or 114", r.LevelDB)
	case !within(r.Seconds, 3, 20):
		return refuse("seconds", "listen for 3 to 20 s, not %g", r.Seconds)
	}
	return nil
}

// CalibrationUndo takes back the newest calibration of a microphone.
type CalibrationUndo struct {
	Microphone int `json:"microphone"`
}

// Calibration is how loud full scale is at a microphone.
type Calibration struct {
	Microphone  int    `json:"microphone"`   // channel
	OffsetDB    Value  `json:"offset_db"`    // level re 20 µPa of a full-scale sine wave
	LevelDB     Value  `json:"level_db"`     // of the calibrator; null: the offset was given
	ToneDBFS    Value  `json:"tone_dbfs"`    // as it was measured
	FrequencyHz Value  `json:"frequency_hz"` // of the tone
	ScatterDB   Value  `json:"scatter_db"`   // standard deviation over the measurement
	At          string `json:"at"`           // RFC 3339
	By          string `json:"by"`
	Earlier     int    `json:"earlier"` // how many undo can bring back
}

// Calibrations are those of the device that is measured.
type Calibrations struct {
	Device       string        `json:"device"`
	File         string        `json:"file"`         // where they are kept; empty: nowhere
	Calibrations []Calibration `json:"calibrations"` // the ones in force, by microphone
}
