package analyze

import (
	"plumbline/analyze/arrival"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
	"plumbline/analyze/stationarity"
)

// Frame is one published result: everything the daemon knows at one moment.
// Live fills it in place; whoever wants to keep it copies it.
type Frame struct {
	Seq          uint64 // counts frames, from 1
	Sample       uint64 // sample index behind the newest sample in it
	SampleRateHz float64
	Epoch        uint32  // rises with every change after which old frames must not be mixed with new ones (grid, channels, rate)
	Gaps         uint64  // discontinuities since the start
	Bursts       uint64  // disturbances left out of the averages since the last reset
	AveragedS    float64 // seconds of audio in the averages
	Hold         bool
	// UntilDone is how much of the band (0…1) is as sure as was asked for, and
	// UntilRemainingS the predicted time until all is; NaN without a goal.
	UntilDone       float64
	UntilRemainingS float64
	Reference       Input
	Microphones     []Microphone
}

// Input is what a meter shows of one channel, over the time since the last frame.
type Input struct {
	Channel  int     // from 1
	PeakDBFS float64 // −Inf for silence
	RMSDBFS  float64 // AES17: a full-scale sine wave reads 0 dB
	Clipped  uint64  // samples at full scale, two and more in a row, since the last reset
}

// Microphone is the result for one microphone.
type Microphone struct {
	Input
	// DelayMs is what the reference is delayed by, NaN while none was found;
	// DelayReason then says why.
	DelayMs     float64
	DelaySDMs   float64
	DelayFixed  bool // set by the operator, not found
	DelayReason string
	// PeriodMs is after how long the reference repeats itself exactly, 0 when it does
	// not within the range: a delay found is the smallest that is not negative, and
	// may be whole periods longer.
	PeriodMs float64
	Movement stationarity.Movement // of the path, lately
	Polarity polarity.Verdict
	Curve    response.Curve
	Arrivals []arrival.Arrival
	// Impulse is the impulse response around the strongest arrival, linear,
	// normalised to its largest magnitude; sample k lies at
	// ImpulseStartMs + k·ImpulseStepMs after the reference.
	Impulse        []float64
	ImpulseStartMs float64
	ImpulseStepMs  float64
	// NotLinear is how the gain goes with the level, 0 if it does not as far as is
	// known. It takes some 10 s of sound for each microphone.
	NotLinear linearity.Kind
	Leak      crosstalk.Leak
}
