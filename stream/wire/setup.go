package wire

import (
	"slices"
	"strings"

	"plumbline/analyze/setting"
)

// The steps of a set-up, in the order one takes them.
const (
	CheckDevice      = "device"
	CheckReference   = "reference"
	CheckLoopback    = "loopback"
	CheckMicrophone  = "microphone"
	CheckLevel       = "level"
	CheckClipping    = "clipping"
	CheckCalibration = "calibration"
)

// What a set-up is doing.
const (
	SetupReady    = "ready"
	SetupChanging = "changing" // one source ends and another begins; clients connect anew
)

// Setup is what is measured with, what could be, and whether all of it works.
type Setup struct {
	State string `json:"state"` // SetupReady or SetupChanging
	// Changeable says that a device can be chosen: the source is neither a file nor a rig.
	Changeable bool          `json:"changeable"`
	Text       string        `json:"text"`     // one sentence on the source, or why the last change was not made; empty while all is well
	Devices    []AudioDevice `json:"devices"`  // as they were last looked for
	Source     *SourceChoice `json:"source"`   // what is captured; null: no device is
	Inputs     []SetupInput  `json:"inputs"`   // the channels that are heard, from 1
	Checks     []SetupCheck  `json:"checks"`   // in the order one takes them
	Loopback   *Loopback     `json:"loopback"` // as it was last checked; null: not yet
	File       string        `json:"file"`     // where choices are kept; empty: nowhere
}

// AudioDevice is one that is there.
type AudioDevice struct {
	ID            string        `json:"id"`
	Name          string        `json:"name"`
	Host          string        `json:"host"` // the sound system that has it
	Inputs        int           `json:"inputs"`
	Outputs       int           `json:"outputs"`
	DefaultRateHz int           `json:"default_rate_hz"`
	DefaultInput  bool          `json:"default_input"`
	Kept          *SourceChoice `json:"kept"` // what was chosen with it last; null: nothing yet
}

// SourceChoice is a device, which of its channels, and what hangs on each.
type SourceChoice struct {
	Device      string   `json:"device"` // its ID
	Reference   int      `json:"reference"`
	Microphones []int    `json:"microphones"`
	RateHz      int      `json:"rate_hz"` // 0: the device's own
	Names       []string `json:"names"`   // what hangs on each input, from input 1; empty: nobody said
	Output      string   `json:"output"`  // ID of the device that plays the test signal; empty: none
	// LoopbackOutput is the output channel that a cable leads back into the reference; 0: none.
	LoopbackOutput int `json:"loopback_output"`
}

// MostInputs is how many inputs are captured at most: a reference and the microphones.
const MostInputs = 1 + setting.MaxMicrophones

const longestName = 40

// Settle checks a choice as far as that goes without the device.
func (c *SourceChoice) Settle() error {
	if c.Device == "" {
		return refuse("device", "Choose a device.")
	}
	c.Microphones = slices.Compact(slices.Sorted(slices.Values(c.Microphones)))
	if c.Microphones == nil {
		c.Microphones = []int{}
	}
	if c.Names == nil {
		c.Names = []string{}
	}
	switch {
	case c.Reference < 1 || c.Reference > MostInputs:
		return refuse("channels", "Choose an input from 1 to %d for the reference, not %d.", MostInputs, c.Reference)
	case len(c.Microphones) == 0:
		return refuse("channels", "Choose an input for a microphone.")
	case c.Microphones[0] < 1 || c.Microphones[len(c.Microphones)-1] > MostInputs:
		return refuse("channels", "Choose inputs from 1 to %d for the microphones.", MostInputs)
	case slices.Contains(c.Microphones, c.Reference):
		return refuse("channels", "Input %d cannot be the reference and a microphone: choose another one for one of the two.", c.Reference)
	}
	if c.RateHz != 0 {
		if err := setting.CheckRate(float64(c.RateHz)); err != nil {
			return refuse("rate", "Choose a rate from %d to %d Hz, or the device's own, not %d Hz.", setting.MinRateHz, setting.MaxRateHz, c.RateHz)
		}
	}
	if c.LoopbackOutput < 0 || c.LoopbackOutput > 64 {
		return refuse("loopback", "Choose an output from 1 to 64 for the loopback, not %d.", c.LoopbackOutput)
	}
	if c.Output == "" {
		c.LoopbackOutput = 0
	}
	if len(c.Names) > MostInputs {
		return refuse("names", "%d inputs have names: there are %d at most.", len(c.Names), MostInputs)
	}
	for i, name := range c.Names {
		c.Names[i] = strings.TrimSpace(name)
		if err := CheckLine("names", "the name of an input", c.Names[i], longestName); err != nil {
			return err
		}
	}
	return nil
}

// Name is what hangs on an input; empty: nobody said.
func (c *SourceChoice) Name(input int) string {
	if input <= len(c.Names) {
		return c.Names[input-1]
	}
	return ""
}

// SetupInput is how one captured channel does now.
type SetupInput struct {
	Channel  int    `json:"channel"`
	Name     string `json:"name"`
	PeakDBFS Value  `json:"peak_dbfs"` // the highest of the last second
	RMSDBFS  Value  `json:"rms_dbfs"`  // of the last quarter of a second or so
	// ClippedSamples since the source began, and when the last of them was heard
	// (RFC 3339; empty: never).
	ClippedSamples uint64 `json:"clipped_samples"`
	ClippedAt      string `json:"clipped_at"`
}

// SetupCheck is one step: a tick, or a sentence that says what to do.
type SetupCheck struct {
	Name      string `json:"name"` // CheckDevice…
	Mark      string `json:"mark"` // Steady, Attention or Act
	Certainty string `json:"certainty"`
	Text      string `json:"text"`
}

// Loopback is what became of a test signal on the loopback output.
type Loopback struct {
	At     string `json:"at"`     // RFC 3339
	Output int    `json:"output"` // channel that played
	// Input is where it came back; 0: nowhere.
	Input       int   `json:"input"`
	RoundTripMs Value `json:"round_trip_ms"` // from this program out and back into it
	LevelDBFS   Value `json:"level_dbfs"`    // of what came back, RMS
	WanderMs    Value `json:"wander_ms"`     // how far the round trip moved while it played
	Wanders     bool  `json:"wanders"`       // by more than its error
	Inverted    bool  `json:"inverted"`      // it came back with the other sign
}
