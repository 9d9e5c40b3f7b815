package wire

import (
	"math"
	"strconv"
	"time"
)

// Object is a frame as JSON: what GET /api/v1/frame answers and what
// `plumbline follow` prints, one a line.
type Object struct {
	Time         string       `json:"time"` // RFC 3339
	Source       string       `json:"source"`
	Gaps         uint32       `json:"gaps"`
	SampleRateHz float64      `json:"sample_rate_hz"`
	Verdict      string       `json:"verdict"` // of the first microphone
	Microphones  []Microphone `json:"microphones"`
	Reference    Input        `json:"reference"`
	Seq          uint64       `json:"seq"`
	Sample       uint64       `json:"sample"`
	Epoch        uint32       `json:"epoch"`
	AveragedS    Value        `json:"averaged_s"`
	Bursts       uint32       `json:"bursts"`
	Window       Window       `json:"window"`
}

// Input is a channel's level.
type Input struct {
	Channel int           `json:"channel"`
	Levels  *LevelsObject `json:"levels"`
}

// LevelsObject is what a meter shows, over the time since the last frame.
type LevelsObject struct {
	PeakDBFS       Value `json:"peak_dbfs"` // null for silence
	RMSDBFS        Value `json:"rms_dbfs"`
	ClippedSamples Value `json:"clipped_samples"` // since the last reset
}

// Microphone is the response of one microphone. Its arrays are parallel.
type Microphone struct {
	Channel           int             `json:"channel"`
	DelayMs           Value           `json:"delay_ms"` // what was compensated
	DelaySDMs         Value           `json:"delay_sd_ms"`
	DelayFixed        bool            `json:"delay_fixed"`
	Reason            *string         `json:"reason"` // why there is no delay
	Cautions          []Caution       `json:"cautions"`
	Polarity          PolarityObject  `json:"polarity"`
	FrequencyHz       []float64       `json:"frequency_hz"`
	MagnitudeDB       Values          `json:"magnitude_db"`
	MagnitudeLowDB    Values          `json:"magnitude_low_db"`
	MagnitudeHighDB   Values          `json:"magnitude_high_db"`
	PhaseDeg          Values          `json:"phase_deg"`
	PhaseErrorDeg     Values          `json:"phase_error_deg"`
	Coherence         Values          `json:"coherence"`
	Threshold         Values          `json:"threshold"`
	EffectiveAverages Values          `json:"effective_averages"`
	Arrivals          []ArrivalObject `json:"arrivals"`
	Levels            *LevelsObject   `json:"levels"`
	Verdict           string          `json:"verdict"`
}

// Caution is one thing that is wrong with what is measured.
type Caution struct {
	Code string `json:"code"` // stable word for programs
	Text string `json:"text"` // what is wrong and what to do
}

// PolarityObject is the verdict about the wiring.
type PolarityObject struct {
	Verdict    string       `json:"verdict"` // "same", "opposite" or "undecided"
	Confidence Value        `json:"confidence"`
	Reason     string       `json:"reason"`
	Bands      []BandObject `json:"bands"`
	// OfArrivalMs is the delay of the arrival that all this is about, where others of
	// the same sound are about as loud; without it there is but one.
	OfArrivalMs *Value `json:"of_arrival_ms,omitempty"`
}

// BandObject is the verdict within a band.
type BandObject struct {
	LowHz      Value  `json:"low_hz"`
	HighHz     Value  `json:"high_hz"`
	Verdict    string `json:"verdict"`
	Confidence Value  `json:"confidence"`
}

// ArrivalObject is one copy of the reference in the microphone's signal.
type ArrivalObject struct {
	DelayMs   Value  `json:"delay_ms"`
	DelaySDMs Value  `json:"delay_sd_ms"`
	DistanceM Value  `json:"distance_m"`
	LevelDB   Value  `json:"level_db"`
	Polarity  string `json:"polarity"`
}

// NewObject puts a frame into words: with the hello that names its grid, the
// state of its source, and the verdicts (by microphone) that belong to it.
// speedMS is the speed of sound in m/s, for distances. Nothing of f is kept.
func NewObject(f *Frame, hello Hello, state State, verdicts []Verdict, speedMS float64) Object {
	o := Object{
		Time:         time.UnixMicro(int64(math.Round(f.UnixMs * 1000))).UTC().Format("2006-01-02T15:04:05.000Z07:00"),
		Source:       state.Source.Name,
		Gaps:         f.Gaps,
		SampleRateHz: hello.RateHz,
		Reference:    Input{Channel: f.Reference(), Levels: levels(f, f.Reference())},
		Microphones:  []Microphone{},
		Seq:          f.Seq,
		Sample:       f.Sample,
		Epoch:        f.Epoch,
		AveragedS:    Value(f.AveragedS),
		Bursts:       f.Bursts,
		Window:       state.Settings.Window,
	}
	for _, c := range f.Microphones(nil) {
		var verdict Verdict
		for _, v := range verdicts {
			if v.Microphone == c {
				verdict = v
			}
		}
		if len(o.Microphones) == 0 {
			o.Verdict = verdict.Text
		}
		o.Microphones = append(o.Microphones, microphone(f, c, hello.Grid, verdict, speedMS))
	}
	return o
}

func microphone(f *Frame, c int, grid []float64, verdict Verdict, speedMS float64) Microphone {
	curve := func(id CurveID) Values { return append(Values{}, f.Curve(id, c)...) }
	m := Microphone{
		Channel:           c,
		FrequencyHz:       append([]float64{}, grid...),
		MagnitudeDB:       curve(MagnitudeDB),
		MagnitudeLowDB:    curve(MagnitudeLowDB),
		MagnitudeHighDB:   curve(MagnitudeHighDB),
		PhaseDeg:          curve(PhaseDeg),
		PhaseErrorDeg:     curve(PhaseErrorDeg),
		Coherence:         curve(Coherence),
		Threshold:         curve(Threshold),
		EffectiveAverages: curve(EffectiveAverages),
		Arrivals:          []ArrivalObject{},
		Polarity:          PolarityObject{Verdict: word(0), Confidence: Value(math.NaN()), Reason: verdict.PolarityReason, Bands: []BandObject{}},
		DelayMs:           Value(math.NaN()),
		DelaySDMs:         Value(math.NaN()),
		Levels:            levels(f, c),
		Verdict:           verdict.Text,
		Cautions:          append([]Caution{}, verdict.Cautions...),
	}
	if d := f.Curve(DelayMs, c); len(d) == 3 {
		m.DelayMs, m.DelaySDMs, m.DelayFixed = number(d[0]), number(d[1]), d[2] == 1
	}
	if reason := verdict.DelayReason; math.IsNaN(float64(m.DelayMs)) && reason != "" {
		m.Reason = &reason
	}
	if p := f.Curve(Polarity, c); len(p) == 2 {
		m.Polarity.Verdict = word(p[0])
		if p[0] != 0 {
			m.Polarity.Confidence = number(p[1])
		}
	}
	for b := f.Curve(PolarityBands, c); len(b) >= 4; b = b[4:] {
		m.Polarity.Bands = append(m.Polarity.Bands, BandObject{number(b[0]), number(b[1]), word(b[2]), number(b[3])})
	}
	delay, sd := f.Curve(ArrivalDelayMs, c), f.Curve(ArrivalDelaySDMs, c)
	level, sign := f.Curve(ArrivalLevelDB, c), f.Curve(ArrivalSign, c)
	for i := range min(len(delay), len(sd), len(level), len(sign)) {
		m.Arrivals = append(m.Arrivals, ArrivalObject{
			DelayMs:   number(delay[i]),
			DelaySDMs: number(sd[i]),
			DistanceM: number(float32(float64(delay[i]) / 1000 * speedMS)),
			LevelDB:   number(level[i]),
			Polarity:  word(sign[i]),
		})
	}
	return m
}

func levels(f *Frame, c int) *LevelsObject {
	l := f.Curve(Levels, c)
	if len(l) != 3 {
		return nil
	}
	return &LevelsObject{number(l[0]), number(l[1]), number(l[2])}
}

// number widens by way of the shortest decimal, so that 17.3 stays 17.3.
func number(x float32) Value {
	v, err := strconv.ParseFloat(strconv.FormatFloat(float64(x), 'g', -1, 32), 64)
	if err != nil {
		return Value(math.NaN())
	}
	return Value(v)
}

func word(sign float32) string {
	switch {
	case sign > 0:
		return "same"
	case sign < 0:
		return "opposite"
	}
	return "undecided"
}
