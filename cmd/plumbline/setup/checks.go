package setup

import (
	"fmt"
	"math"
	"strings"
	"time"

	"plumbline/analyze/caution"
	"plumbline/capture"
	"plumbline/stream/wire"
)

// Where levels are right (common practice, no source): peaks of a programme that leave
// headroom for a louder passage, and that stand well above a converter's noise.
const (
	headroomDB = 3.0
	lowPeak    = -40.0 // dBFS
	goodPeak   = -12.0 // what to turn a low one up to, or a hot one down to, dBFS
	// clippedLately is how long a clipped input is told to be turned down.
	clippedLately = 10 * time.Second
)

// checks goes through the steps. Each has a tick, or a sentence that says what to do.
func (s *Station) checks(now *session, state wire.State, loop *wire.Loopback) []wire.SetupCheck {
	c := &checker{now: now, state: state, loop: loop, clock: s.now, names: state.Source.Channels}
	c.frame, c.hears = now.daemon.Frame()
	c.hears = c.hears && state.Source.State == capture.Running.String()
	var out []wire.SetupCheck
	for _, step := range []struct {
		name  string
		check func() verdict
	}{
		{wire.CheckDevice, c.device},
		{wire.CheckReference, c.reference},
		{wire.CheckLoopback, c.loopback},
		{wire.CheckMicrophone, c.microphone},
		{wire.CheckLevel, c.level},
		{wire.CheckClipping, c.clipping},
		{wire.CheckCalibration, c.calibration},
	} {
		v := step.check()
		out = append(out, wire.SetupCheck{Name: step.name, Mark: v.mark, Certainty: v.certainty, Text: v.text})
	}
	return out
}

// verdict is what a step says.
type verdict struct{ mark, certainty, text string }

func tick(format string, args ...any) verdict {
	return verdict{wire.Steady, wire.Sure, fmt.Sprintf(format, args...)}
}

// wait cannot tell yet, and nobody has to do anything for it.
func wait(format string, args ...any) verdict {
	return verdict{wire.Steady, wire.CannotTell, fmt.Sprintf(format, args...)}
}

func look(format string, args ...any) verdict {
	return verdict{wire.Attention, wire.Likely, fmt.Sprintf(format, args...)}
}

func act(format string, args ...any) verdict {
	return verdict{wire.Act, wire.Sure, fmt.Sprintf(format, args...)}
}

type checker struct {
	now   *session
	state wire.State
	loop  *wire.Loopback
	frame wire.Object
	hears bool // the frame is of now
	clock func() time.Time
	names []string
}

// input is a channel for people.
func (c *checker) input(channel int) string {
	own := fmt.Sprintf("input %d", channel)
	if channel > len(c.names) || c.names[channel-1] == "" || c.names[channel-1] == own {
		return own
	}
	return fmt.Sprintf("%s (%s)", c.names[channel-1], own)
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

func list(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// heard are the channels that are measured, the reference first.
func (c *checker) heard() []int {
	return append([]int{c.state.Settings.Reference}, c.state.Settings.Microphones...)
}

func (c *checker) device() verdict {
	src := c.state.Source
	if src.Kind == wire.SourceNone {
		return act("Choose the device that the reference and the microphone are connected to.")
	}
	switch src.State {
	case capture.Starting.String():
		return wait("%s is opening.", src.Name)
	case capture.Running.String():
	default:
		text := src.Text
		if text == "" {
			text = fmt.Sprintf("%s delivers nothing: it has %s.", src.Name, src.State)
		}
		return act("%s", capital(strings.TrimRight(text, "."))+".")
	}
	rate := fmt.Sprintf("%s kHz", strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.1f", float64(src.RateHz)/1000), "0"), "."))
	if src.Text != "" {
		return look("%s", capital(strings.TrimRight(src.Text, "."))+".")
	}
	if lost := c.state.Counters.LostFrames + c.state.Counters.DroppedFrames; lost > 0 {
		return look("%s is open at %s, but %.0f ms of sound were lost since %s: end other programs that use it, or this computer's processor.",
			src.Name, rate, math.Ceil(1000*float64(lost)/float64(src.RateHz)), c.now.began.Format(time.TimeOnly))
	}
	return tick("%s is open at %s; %d inputs are heard.", src.Name, rate, len(src.Channels))
}

// dead says why a step cannot be judged before the device is.
func (c *checker) dead() (verdict, bool) {
	if c.state.Source.Kind == wire.SourceNone || c.state.Source.State != capture.Running.String() {
		return wait("Waits for the device."), true
	}
	if !c.hears {
		return wait("Listening."), true
	}
	return verdict{}, false
}

// rms of a channel as its meter has it, dBFS; NaN: nothing was heard yet.
func (c *checker) rms(channel int) float64 {
	return float64(c.now.meters.input(channel, "").RMSDBFS)
}

func (c *checker) referenceLives() bool {
	return c.rms(c.state.Settings.Reference) > caution.SilentReferenceDBFS
}

func (c *checker) reference() verdict {
	if v, dead := c.dead(); dead {
		return v
	}
	ref := c.state.Settings.Reference
	db := c.rms(ref)
	switch {
	case math.IsNaN(db):
		return wait("Listening.")
	case !c.referenceLives():
		var alive []string
		for ch := range c.names {
			if ch+1 != ref && c.rms(ch+1) > caution.SilentReferenceDBFS {
				alive = append(alive, c.input(ch+1))
			}
		}
		text := fmt.Sprintf("Nothing on %s: play the programme, and lead what goes to the loudspeakers into it by a cable.", c.input(ref))
		if len(alive) > 0 {
			text += fmt.Sprintf(" There is sound on %s: if the reference is there, choose that.", list(alive))
		}
		return act("%s", text)
	}
	return tick("%s carries the programme at %.0f dBFS.", capital(c.input(ref)), db)
}

// cautioned finds what the analysis says against a microphone.
func (c *checker) cautioned(codes ...caution.Code) (string, bool) {
	for _, m := range c.frame.Microphones {
		for _, x := range m.Cautions {
			for _, code := range codes {
				if x.Code == string(code) {
					return x.Text, true
				}
			}
		}
	}
	return "", false
}

func (c *checker) loopback() verdict {
	if c.state.Source.Kind != "device" && c.state.Source.Kind != wire.SourceNone {
		return tick("The reference is what is played, sample for sample: there is no cable.")
	}
	if v, dead := c.dead(); dead {
		return v
	}
	ref := c.state.Settings.Reference
	if c.referenceLives() {
		if text, swapped := c.cautioned(caution.Swapped); swapped {
			return act("%s", text)
		}
	}
	choice := c.now.choice
	switch {
	case choice.LoopbackOutput == 0:
		return look("No loopback output is chosen: what is played must reach %s by a cable from elsewhere, such as the mixer. To have it checked, choose an output.", c.input(ref))
	case c.loop == nil:
		return look("Not checked yet: lead output %d into %s by a cable, then press Play and listen.", choice.LoopbackOutput, c.input(ref))
	case c.loop.Input == 0:
		return act("The test signal on output %d came back on no input: lead it into %s by a cable, and turn neither down.", c.loop.Output, c.input(ref))
	case c.loop.Input != ref:
		return act("The test signal on output %d came back on %s and not on the reference, %s: swap the cables, or make input %d the reference.",
			c.loop.Output, c.input(c.loop.Input), c.input(ref), c.loop.Input)
	case c.loop.Inverted:
		return act("The test signal on output %d came back on %s with opposite polarity: check the wiring of the cable.", c.loop.Output, c.input(ref))
	}
	trip := fmt.Sprintf("Output %d comes back on %s after %.1f ms", c.loop.Output, c.input(ref), float64(c.loop.RoundTripMs))
	switch {
	case math.IsNaN(float64(c.loop.WanderMs)):
		return look("%s, but too faintly to say whether that wanders: pause the programme, or turn the output or the input up, and check again.", trip)
	case c.loop.Wanders:
		return look("%s and wanders: by %.2f ms while it played. Input and output have two clocks, or samples were lost; the reference must be this cable and no other, and one device for both is better.",
			trip, float64(c.loop.WanderMs))
	}
	return tick("%s and does not wander (%.3f ms while it played).", trip, float64(c.loop.WanderMs))
}

func (c *checker) microphone() verdict {
	if v, dead := c.dead(); dead {
		return v
	}
	var silent, says []string
	for _, m := range c.state.Settings.Microphones {
		if db := c.rms(m); math.IsNaN(db) {
			return wait("Listening.")
		} else if db <= caution.SilentMicrophoneDBFS {
			silent = append(silent, c.input(m))
		}
	}
	if len(silent) > 0 {
		return act("Nothing on %s: connect the microphone, switch on its phantom power if it needs that, and turn it up.", list(silent))
	}
	if !c.referenceLives() {
		return wait("%s is alive; what it hears of the loudspeaker is told when the reference is.", capital(c.inputs(c.state.Settings.Microphones)))
	}
	if text, ok := c.cautioned(caution.Crosstalk); ok {
		return look("%s", text)
	}
	for _, m := range c.frame.Microphones {
		if math.IsNaN(float64(m.DelayMs)) {
			why := "it is not told yet"
			if m.Reason != nil && *m.Reason != "" {
				why = *m.Reason
			}
			return look("%s is alive, but does not hear the loudspeaker yet: %s. Play through the loudspeaker, or wait some seconds.", capital(c.input(m.Channel)), strings.TrimRight(why, "."))
		}
		says = append(says, fmt.Sprintf("%s hears it %.2f ms after the reference", c.input(m.Channel), float64(m.DelayMs)))
	}
	return tick("%s.", capital(list(says)))
}

func (c *checker) inputs(channels []int) string {
	var names []string
	for _, ch := range channels {
		names = append(names, c.input(ch))
	}
	return list(names)
}

func (c *checker) level() verdict {
	if v, dead := c.dead(); dead {
		return v
	}
	if !c.referenceLives() {
		return wait("Waits for the reference.")
	}
	var hot, low []string
	least, at := math.Inf(1), 0
	for _, ch := range c.heard() {
		peak := c.now.meters.highest(ch)
		switch {
		case math.IsNaN(peak):
			return wait("Listening.")
		case peak <= caution.SilentMicrophoneDBFS: // that nothing is connected, its own step says
			continue
		case peak > -headroomDB:
			hot = append(hot, fmt.Sprintf("%s down by %.0f dB", c.input(ch), math.Ceil(peak-goodPeak)))
		case peak < lowPeak:
			low = append(low, fmt.Sprintf("%s up by %.0f dB", c.input(ch), math.Floor(goodPeak-peak)))
		}
		if -peak < least {
			least, at = -peak, ch
		}
	}
	switch {
	case len(hot) > 0:
		return act("Too little headroom: turn %s.", list(hot))
	case len(low) > 0:
		return look("Too low to measure well: turn %s.", list(low))
	}
	if at == 0 {
		return wait("Waits for sound.")
	}
	return tick("%.0f dB of headroom, the least of it on %s.", math.Floor(least), c.input(at))
}

func (c *checker) clipping() verdict {
	if v, dead := c.dead(); dead {
		return v
	}
	var lately, before []string
	for _, ch := range c.heard() {
		at := c.now.meters.clippedAt(ch)
		switch {
		case at.IsZero():
		case c.clock().Sub(at) < clippedLately:
			lately = append(lately, c.input(ch))
		default:
			before = append(before, fmt.Sprintf("%s at %s", c.input(ch), at.Format(time.TimeOnly)))
		}
	}
	switch {
	case len(lately) > 0:
		return act("%s clips: turn it down where it comes in, since no setting here can mend that.", capital(list(lately)))
	case len(before) > 0:
		return look("It clipped last on %s: play the loudest passage and see that it does not again.", list(before))
	}
	return tick("Nothing has clipped since %s.", c.now.began.Format(time.TimeOnly))
}

func (c *checker) calibration() verdict {
	if c.state.Source.Kind == wire.SourceNone {
		return wait("Waits for the device.")
	}
	var with, without []string
	for _, m := range c.now.daemon.Levels().Microphones {
		if m.CalibratedAt == "" {
			without = append(without, c.input(m.Microphone))
			continue
		}
		on := m.CalibratedAt
		if t, err := time.Parse(time.RFC3339, on); err == nil {
			on = t.Local().Format(time.DateOnly)
		}
		with = append(with, fmt.Sprintf("%s on %s", c.input(m.Microphone), on))
	}
	switch {
	case len(without) > 1:
		return look("%s are not calibrated, so their levels are in dBFS: put a calibrator on each, or go on without sound pressure levels.", capital(list(without)))
	case len(without) == 1:
		return look("%s is not calibrated, so its levels are in dBFS: put a calibrator on it, or go on without sound pressure levels.", capital(list(without)))
	case len(with) == 0:
		return wait("Listening.")
	}
	return tick("Calibrated: %s. Do it again when the gain was changed.", list(with))
}
