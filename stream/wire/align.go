package wire

import (
	"math"

	"plumbline/analyze/setting"
)

// Aims of an alignment.
const (
	AimMean  = "mean"
	AimWorst = "worst"
)

// AlignQuery asks for the alignment of two loudspeakers over the stored takes.
type AlignQuery struct {
	Main, Fill    string
	LowHz, HighHz float64 // 0: the overlap is found
	Aim           string
	Gain          bool // may change the fill's gain
	// SpreadM is how far heads are about the microphone, standard deviation along
	// each axis, m: 0, or from setting.MinSpreadM. Nil: DefaultSpreadM.
	SpreadM *float64
}

// DefaultSpreadM is the spread of position that nobody has set.
const DefaultSpreadM = 0.10

// Settle fills in what was left out and checks the rest.
func (q *AlignQuery) Settle() error {
	if err := checkPair(q.Main, q.Fill); err != nil {
		return err
	}
	if q.Aim == "" {
		q.Aim = AimMean
	}
	if q.Aim != AimMean && q.Aim != AimWorst {
		return refuse("aim", "aim at \"mean\" or \"worst\", not %q", q.Aim)
	}
	if q.SpreadM == nil {
		spread := DefaultSpreadM
		q.SpreadM = &spread
	}
	if err := Refused(setting.CheckSpread(*q.SpreadM)); err != nil {
		return err
	}
	if q.LowHz == 0 && q.HighHz == 0 {
		return nil
	}
	return Refused(setting.CheckBand("", q.LowHz, q.HighHz))
}

// Align is what the stored takes say of two loudspeakers: A is the main, B the
// fill. Without a plan the reasons say why and what to do.
type Align struct {
	Main         string           `json:"main"`
	Fill         string           `json:"fill"`
	BandHz       []float64        `json:"band_hz"` // empty without a plan
	BandFound    bool             `json:"band_found"`
	Aim          string           `json:"aim"`
	Plan         *PlannedObject   `json:"plan"`
	RunnerUp     *RunnerUpObject  `json:"runner_up"`
	Settings     []DialChange     `json:"settings"` // what to dial in for the plan
	Efficiency   EfficiencyObject `json:"efficiency_db"`
	Promise      Promise          `json:"promise"`
	SpreadM      float64          `json:"spread_m"` // of position, about each microphone; all of the plan is averaged over it
	FlatnessMs   Value            `json:"flatness_ms"`
	Certainty    string           `json:"certainty"` // of the plan: "sure", "likely", "cannot tell"; empty without one
	Reason       string           `json:"reason"`    // why
	Cycles       []CycleObject    `json:"cycles"`    // settings on other cycles that are as good
	TemperatureC Value            `json:"temperature_c"`
	Missing      []string         `json:"missing"`
	Seats        []AlignSeat      `json:"seats"`
	Curve        DelayCurve       `json:"curve"` // by the aim, over all seats
	Reasons      []string         `json:"reasons"`
	Applied      []int64          `json:"applied"` // plans of other pairs that this one counts with
}

// PlanObject is a setting to dial in, as `plumbline align` prints it.
type PlanObject struct {
	Wait        string  `json:"wait"`        // "A" or "B", who gets the delay
	Loudspeaker string  `json:"loudspeaker"` // its name
	DelayMs     float64 `json:"delay_ms"`
	DistanceM   float64 `json:"distance_m"`
	PolarityB   string  `json:"polarity_b"` // "same": as it is; "opposite": turned
	GainBDB     float64 `json:"gain_b_db"`
}

// PlannedObject is the plan and how well it is known.
type PlannedObject struct {
	PlanObject
	LowDB     Value `json:"low_db"` // 95 % interval of its efficiency
	HighDB    Value `json:"high_db"`
	DelaySDMs Value `json:"delay_sd_ms"`
	Follows   bool  `json:"follows_arrivals"` // the phases tell no better delay than the arrivals do
}

// RunnerUpObject is the runner-up and the 95 % interval of its efficiency.
type RunnerUpObject struct {
	PlanObject
	LowDB  Value `json:"low_db"`
	HighDB Value `json:"high_db"`
}

// CycleObject is a setting a cycle, or half of one with the other polarity, from
// the plan.
type CycleObject struct {
	PlanObject
	LessDB  Value `json:"less_db"`  // than the plan
	SlopeMs Value `json:"slope_ms"` // group delay of the fill after the main's that it leaves, mean of the seats
}

// SlopesObject is straight lines through the phases of a seat's two responses over
// the band: group delays in ms after the main's compensation. Where they are
// equal the phases run parallel. Null over a band of more than three octaves.
type SlopesObject struct {
	AMs  Value `json:"a_ms"`
	BMs  Value `json:"b_ms"`  // with today's setting
	SDMs Value `json:"sd_ms"` // standard deviation of their difference
}

// Promise is what a plan does for the level of the sum where heads are, against
// the settings that are in force: the scale of the ledger and of the proof. The
// sentences are made of these numbers.
type Promise struct {
	ChangeDB      Value    `json:"change_db"` // the mean of the seats; aimed at the worst seat, the least of them
	Seats         int      `json:"seats"`
	LosingDB      Value    `json:"losing_db"`       // what the seats that lose come to at worst, below 0; 0: none does
	Losing        []string `json:"losing"`          // who loses 0.1 dB or more, the worst first
	AddsUpToHz    Value    `json:"adds_up_to_hz"`   // where heads are, half of what there is to gain is left up to there; null: no spread
	NothingFromHz Value    `json:"nothing_from_hz"` // and a tenth from there on: nothing is to be aligned
	Worth         bool     `json:"worth"`           // it is worth dialling in
	Text          string   `json:"text"`
	ReachText     string   `json:"reach_text"` // up to where the two add up; empty without a spread
}

// EfficiencyObject is how much of the ideal sum arrives, dB: both in phase everywhere.
type EfficiencyObject struct {
	Today    Value `json:"today"`
	Plan     Value `json:"plan"`
	RunnerUp Value `json:"runner_up"`
}

// DialChange is what to set for one loudspeaker. From is what the takes were
// made with, as far as the daemon knows (Known); else To is relative to it.
type DialChange struct {
	Loudspeaker string `json:"loudspeaker"`
	Known       bool   `json:"known"`
	From        Dial   `json:"from"`
	To          Dial   `json:"to"`
	Text        string `json:"text"`
}

// AlignSeat is the account of one seat.
type AlignSeat struct {
	Seat          int64        `json:"seat"`
	Name          string       `json:"name"`
	TodayDB       Value        `json:"today_db"` // efficiency
	PlanDB        Value        `json:"plan_db"`
	LowDB         Value        `json:"low_db"` // 95 % interval of plan_db
	HighDB        Value        `json:"high_db"`
	RunnerUpDB    Value        `json:"runner_up_db"`
	OffsetMs      Value        `json:"offset_ms"` // the fill's arrival minus the main's
	OffsetSDMs    Value        `json:"offset_sd_ms"`
	Polarity      string       `json:"polarity"`
	BandHz        []float64    `json:"band_hz"`
	LevelADB      Value        `json:"level_a_db"`
	LevelBDB      Value        `json:"level_b_db"`
	LevelBothDB   Value        `json:"level_both_db"`
	Predicted     bool         `json:"predicted"` // no take of both
	IdealGainDB   Value        `json:"ideal_gain_db"`
	GainDB        Value        `json:"gain_over_louder_db"`
	GainLowDB     Value        `json:"gain_low_db"`
	GainHighDB    Value        `json:"gain_high_db"`
	PlanGainDB    Value        `json:"plan_gain_db"` // predicted over the louder, with the plan, at the microphone
	SpreadMs      Value        `json:"spread_ms"`    // of the difference of arrival over the places where heads are
	HeadsDB       Value        `json:"heads_db"`     // level of the sum over the louder one where heads are, predicted
	HeadsPlanDB   Value        `json:"heads_plan_db"`
	ChangeDB      Value        `json:"change_db"` // heads_plan_db less heads_db
	Ledger        []LedgerRow  `json:"ledger"`
	Comb          CombObject   `json:"comb"`
	Slopes        SlopesObject `json:"slopes"`
	TakeA         int64        `json:"take_a"`
	TakeB         int64        `json:"take_b"`
	TakeBoth      int64        `json:"take_both"` // 0 none
	FrequencyHz   []float64    `json:"frequency_hz"`
	Correlation   Values       `json:"correlation"` // of a point's random error with those of all points, its own 1 included
	A             Complex      `json:"a"`           // re the main's compensation
	B             Complex      `json:"b"`
	Both          *Complex     `json:"both"` // its magnitude is that of the power mean around the point
	Curve         DelayCurve   `json:"curve"`
	CompensatedMs Value        `json:"compensated_ms"` // of the main, out of a, b and both
	Cells         Cells        `json:"cells"`
}

// Cells are what the efficiency is the mean of, evenly spaced in log frequency:
// of each 10 lg((1 + c·cos(φ+2πfτ))/(1 + c)) dB with c = 2r/(1+r²), τ the delay
// given to B, φ+180° where B is turned, and r its level over A's as a ratio. c is
// limited so that complete cancellation counts −60 dB. Over a spread of σ_τ each is
// its mean over normally spread τ: 10/ln 10·(2 Σ (−1)^{k+1} ρ^k/k·exp(−(k2πfσ_τ)²/2)·cos
// k(φ+2πfτ) − 2 ln(1+ρ)), ρ the smaller of r and 1/r.
type Cells struct {
	FrequencyHz []float64 `json:"frequency_hz"`
	PhaseDeg    Values    `json:"phase_deg"`  // φ, of A·conj(B)
	LevelDB     Values    `json:"level_db"`   // of B re A
	LevelADB    Values    `json:"level_a_db"` // of A re its mean
	Count       []int     `json:"count"`      // cells that share this point
	// Where noise leaves the responses open: what c is multiplied with in the numerator
	// (with ρ of the product), and what the denominator has more, dB. Absent: 1 and 0.
	Ripple Values `json:"ripple,omitempty"`
	LessDB Values `json:"less_db,omitempty"`
	// For levels, instead of level_db: the power of B re that of A, and how much of the
	// root of both the two have in common. Absent: level_db and 1.
	PowerDB Values `json:"power_db,omitempty"`
	Common  Values `json:"common,omitempty"`
}

// LedgerRow is an entry of the ledger.
type LedgerRow struct {
	Cause    string `json:"cause"`
	ChangeDB Value  `json:"change_db"`
	LowDB    Value  `json:"low_db"`
	HighDB   Value  `json:"high_db"`
	Sentence string `json:"sentence"`
}

// CombObject is where the sum of today has notches and peaks.
type CombObject struct {
	NotchesHz []float64 `json:"notches_hz"`
	PeaksHz   []float64 `json:"peaks_hz"`
	DepthDB   Value     `json:"depth_db"` // of a notch re the louder; null: complete
	PeakDB    Value     `json:"peak_db"`
}

// Complex is a response, point by point. Error is the half width of the 95 %
// interval of its part in any one direction, re its magnitude: that is within
// 20 lg(1 ± error) dB and the phase within asin(error). Null: nothing is known.
type Complex struct {
	Re      Values `json:"re"`
	Im      Values `json:"im"`
	Error   Values `json:"error"`
	Trusted []bool `json:"trusted"`
}

// DelayCurve is the efficiency over the delay given to B on top of today's, dB.
type DelayCurve struct {
	DelayMs    []float64 `json:"delay_ms,omitempty"` // in the seats: as in Align's
	SameDB     Values    `json:"same_db"`
	OppositeDB Values    `json:"opposite_db"`
}

// PlanRequest stores a chosen plan: that of the alignment with these questions,
// or one that was set by hand.
type PlanRequest struct {
	Main   string  `json:"main"`
	Fill   string  `json:"fill"`
	LowHz  float64 `json:"low_hz,omitempty"`
	HighHz float64 `json:"high_hz,omitempty"`
	Aim    string  `json:"aim,omitempty"`
	Gain   bool    `json:"gain,omitempty"`
	// SpreadM is of position, as in AlignQuery; absent: 0.1.
	SpreadM *float64    `json:"spread_m,omitempty"`
	Plan    *PlanChoice `json:"plan,omitempty"` // absent: the best
	Name    string      `json:"name,omitempty"`
}

// PlanChoice is a setting chosen by hand.
type PlanChoice struct {
	Wait      string  `json:"wait"`
	DelayMs   float64 `json:"delay_ms"`
	PolarityB string  `json:"polarity_b"`
	GainBDB   float64 `json:"gain_b_db"`

	// What Align says of it; not needed.
	Loudspeaker string  `json:"loudspeaker,omitempty"`
	DistanceM   float64 `json:"distance_m,omitempty"`
}

// Settle checks the request.
func (r *PlanRequest) Settle() error {
	if r.SpreadM != nil {
		if err := Refused(setting.CheckSpread(*r.SpreadM)); err != nil {
			return err
		}
	}
	if p := r.Plan; p != nil {
		switch {
		case p.Wait != "A" && p.Wait != "B":
			return refuse("plan", "the plan's wait must be \"A\" (the main) or \"B\" (the fill), not %q", p.Wait)
		case !within(p.DelayMs, 0, 1000):
			return refuse("plan", "the plan's delay must lie between 0 and 1000 ms, not %g", p.DelayMs)
		case p.PolarityB != "same" && p.PolarityB != "opposite":
			return refuse("plan", "the plan's polarity_b must be \"same\" or \"opposite\", not %q", p.PolarityB)
		case math.Abs(p.GainBDB) > 40 || math.IsNaN(p.GainBDB):
			return refuse("plan", "the plan's gain must lie between -40 and 40 dB, not %g", p.GainBDB)
		}
	}
	return nil
}

// StoredPlan is a plan as the show keeps it.
type StoredPlan struct {
	ID           int64            `json:"id"`
	Name         string           `json:"name"`
	Main         string           `json:"main"`
	Fill         string           `json:"fill"`
	BandHz       []float64        `json:"band_hz"`
	Aim          string           `json:"aim"`
	Plan         PlanObject       `json:"plan"`
	Settings     []DialChange     `json:"settings"`
	Efficiency   EfficiencyObject `json:"efficiency_db"`
	Promise      Promise          `json:"promise"`
	SpreadM      *float64         `json:"spread_m,omitempty"` // absent in plans of before there was one: 0
	Seats        []PlanSeat       `json:"seats"`
	TemperatureC Value            `json:"temperature_c"`
	Dialled      bool             `json:"dialled"` // as far as the daemon knows
	Verified     []Verification   `json:"verified"`
}

// PlanSeat is what a plan does at a seat, and the takes that it rests on.
type PlanSeat struct {
	Seat    int64  `json:"seat"`
	Name    string `json:"name"`
	TodayDB Value  `json:"today_db"` // efficiency
	PlanDB  Value  `json:"plan_db"`
	// ChangeDB is of the level of the sum where heads are.
	ChangeDB Value `json:"change_db"`
	TakeA    int64 `json:"take_a"`
	TakeB    int64 `json:"take_b"`
}

// DialRequest names a plan, for the daemon to dial into its virtual rig; ByHand,
// that somebody has dialled it in at the processor.
type DialRequest struct {
	Plan   int64 `json:"plan"`
	ByHand bool  `json:"by_hand,omitempty"`
}

// Settle checks the request.
func (r *DialRequest) Settle() error {
	if r.Plan <= 0 {
		return refuse("plan", "say which plan to dial in")
	}
	return nil
}

// VerifyRequest asks for prediction against proof: both are measured with the
// plan dialled in, by the daemon (as a survey, with its own state) or, ByHand,
// from what is measured now.
type VerifyRequest struct {
	Plan int64 `json:"plan"`
	Seats
	Goal
	ByHand    bool     `json:"by_hand,omitempty"`
	LevelDBFS *float64 `json:"level_dbfs,omitempty"`
	CapDBFS   *float64 `json:"cap_dbfs,omitempty"`
}

// Settle fills in what was left out and checks the rest.
func (r *VerifyRequest) Settle() error {
	if r.Plan <= 0 {
		return refuse("plan", "say which plan to verify")
	}
	if err := settleLevel(&r.LevelDBFS, &r.CapDBFS); err != nil {
		return err
	}
	return r.Goal.settle()
}

// Verification is prediction against proof at one seat.
type Verification struct {
	Plan         int64     `json:"plan"`
	Seat         int64     `json:"seat"`
	SeatName     string    `json:"seat_name"`
	Take         int64     `json:"take"` // of both, with the plan dialled in
	Time         string    `json:"time"`
	Pass         bool      `json:"pass"`
	Text         string    `json:"text"` // passed, or what is wrong and what to do
	BandHz       []float64 `json:"band_hz"`
	PredictedDB  Value     `json:"predicted_db"` // level of both re the reference
	MeasuredDB   Value     `json:"measured_db"`
	DifferenceDB Value     `json:"difference_db"` // measured minus predicted
	LowDB        Value     `json:"low_db"`        // its 95 % interval
	HighDB       Value     `json:"high_db"`
	GainDB       Value     `json:"gain_over_louder_db"` // of the measured sum
	// What the measured sum says of the fill against the plan.
	Polarity       string    `json:"polarity"`       // "same": as planned
	DelayErrorMs   Value     `json:"delay_error_ms"` // the fill later than planned
	LevelErrorDB   Value     `json:"level_error_db"`
	FrequencyHz    []float64 `json:"frequency_hz"`
	Correlation    Values    `json:"correlation"` // as in AlignSeat
	PredictedCurve Values    `json:"predicted_magnitude_db"`
	PredictedError Values    `json:"predicted_error"` // as in Complex
	MeasuredCurve  Values    `json:"measured_magnitude_db"`
	MeasuredError  Values    `json:"measured_error"`
}
