package survey

import (
	"fmt"
	"math"
	"strings"
	"time"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// The times of a goal, seconds of audio.
const (
	knowAfterS  = 2.0  // before it is told what a loudspeaker plays
	settleForS  = 15.0 // before what cannot be reached is given up
	finestEdge  = 1.2  // as a ratio: edges closer than that, a quarter of an octave, are told as one
	leastStepsS = 5.0  // times to go are told in steps of this, from 10 s on
)

// aim is what one microphone's take is to be sure of.
type aim struct {
	lowHz, highHz float64 // what plays, as far as it was asked for; 0 not known yet
	outlook       response.Outlook
}

// known says that it was told what plays.
func (a *aim) known() bool { return a.highHz > 0 }

// choose takes the band from what is heard, within the one that was asked for.
// A loudspeaker that plays nothing of that is measured where it plays. What is
// known stays while it is told as one: skirts sink into the noise little by little.
func (a *aim) choose(s *response.Spectra, goal wire.Goal) {
	low, high, ok := s.Plays()
	if !ok {
		return
	}
	if asked := goal.HighHz > 0; asked && min(high, goal.HighHz) > finestEdge*max(low, goal.LowHz) {
		low, high = max(low, goal.LowHz), min(high, goal.HighHz)
	}
	near := func(x, y float64) bool { return max(x, y) < finestEdge*min(x, y) }
	if !a.known() || !near(low, a.lowHz) || !near(high, a.highHz) {
		a.lowHz, a.highHz = low, high
	}
}

// missed says what of the band will not be within the goal, in words; "" for
// nothing.
func (a *aim) missed(withinDB float64) string {
	o := &a.outlook
	below, above := o.LowHz > finestEdge*a.lowHz, o.HighHz*finestEdge < a.highHz
	where := ""
	switch {
	case o.HighHz == 0:
		where = "anywhere in what it plays"
	case below && above:
		where = fmt.Sprintf("below %s nor above %s", hertz(o.LowHz), hertz(o.HighHz))
	case below:
		where = "below " + hertz(o.LowHz)
	case above:
		where = "above " + hertz(o.HighHz)
	default:
		return ""
	}
	return fmt.Sprintf("±%g dB cannot be reached %s: room noise", withinDB, where)
}

// hertz is a frequency to two figures.
func hertz(f float64) string {
	unit := math.Pow(10, math.Floor(math.Log10(f))-1)
	if f = math.Round(f/unit) * unit; f >= 1000 {
		return fmt.Sprintf("%g kHz", f/1000)
	}
	return fmt.Sprintf("%g Hz", f)
}

func bandWords(low, high float64) string {
	return fmt.Sprintf("%s to %s", hertz(low), hertz(high))
}

// judge says how sure all microphones are by now: of all that they are to be, or
// when that cannot be reached in time and the rest was given its time, of what
// can.
func (m *measurement) judge(what string) (sure bool, err error) {
	m.done, m.remainingS = 1, 0
	sure = true
	for i := range m.microphones {
		m.est.Spectra(i, &m.heard[i])
		a := &m.goals[i]
		a.choose(&m.heard[i], m.goal)
		if !a.known() {
			if m.heardS() > deafAfterS {
				return false, fmt.Errorf("the microphone %s does not hear %s: is it on, is it the right output, is it loud enough", m.input(i).Where(), what)
			}
			m.done, m.remainingS, sure = 0, math.Inf(1), false
			continue
		}
		a.outlook = response.Look(&m.heard[i], m.goal.WithinDB, a.lowHz, a.highHz, max(0, m.leftS))
		o := &a.outlook
		done, rest := o.Done, o.RemainingS
		if math.IsInf(rest, 1) { // not all of it in time
			if done, rest = o.PartDone, max(o.PartRemainingS, settleForS-m.heardS(), 0); o.HighHz == 0 {
				done, rest = o.Done, max(0, m.leftS)
			}
		}
		m.done = min(m.done, done)
		m.remainingS = math.Max(m.remainingS, min(rest, max(0, m.leftS)))
		sure = sure && rest == 0 && m.leftS > 0
	}
	if short := leastAudioS - m.heardS(); short > 0 {
		m.remainingS = math.Max(m.remainingS, short)
		return false, nil
	}
	return sure, nil
}

// worth says that something is known of what every microphone is to hear.
func (m *measurement) worth() bool {
	if m.est == nil || m.heardS() < leastAudioS {
		return false
	}
	for i := range m.goals {
		if !m.goals[i].known() {
			return false
		}
	}
	return true
}

// playsWords is the band of the first microphone, missedWords what will not be
// sure at one of them.
func (m *measurement) playsWords() string {
	if a := &m.goals[0]; a.known() {
		return bandWords(a.lowHz, a.highHz)
	}
	return ""
}

func (m *measurement) missedWords() string {
	for i := range m.goals {
		if a := &m.goals[i]; a.known() && math.IsInf(a.outlook.RemainingS, 1) {
			if text := a.missed(m.goal.WithinDB); text != "" {
				return text
			}
		}
	}
	return ""
}

// goalOf is what a microphone's take was measured for.
func (m *measurement) goalOf(i int) wire.Goal {
	a := &m.goals[i]
	return wire.Goal{WithinDB: m.goal.WithinDB, LowHz: math.Round(10*a.lowHz) / 10, HighHz: math.Round(10*a.highHz) / 10}
}

// about is a time to go in words: no finer than it can be told.
func about(s float64) string {
	if s < 10 {
		return fmt.Sprintf("about %.0f s to go", math.Ceil(s))
	}
	return fmt.Sprintf("about %.0f s to go", leastStepsS*math.Ceil(s/leastStepsS))
}

// notSure says why a measurement was given up with nothing to keep.
func (m *measurement) notSure(after time.Duration) error {
	text := fmt.Sprintf("after %.0f s nothing is known within ±%g dB: play louder, make the room quieter, or ask for less", after.Seconds(), m.goal.WithinDB)
	if m.breaks > 0 {
		text += fmt.Sprintf("; the sound broke off %d times, and a take has no gaps", m.breaks)
	}
	if !m.found && m.reason != "" {
		text += " (" + m.reason + ")"
	}
	return fmt.Errorf("%s", strings.TrimSpace(text))
}
