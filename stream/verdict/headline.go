package verdict

import (
	"fmt"
	"math"
	"strconv"

	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/analyze/stationarity"
	"plumbline/stream/wire"
)

// headline is what happened and what to do, in HeadlineMax characters: read in two
// seconds, from a step away. Arrivals have the numbers of their flags, which are their
// places in the frame.
func (m *meaning) headline() string {
	switch m.kind {
	case clippedInput:
		if m.onReference {
			return fmt.Sprintf("The reference clips: turn down the input of channel %d.", m.reference)
		}
		return fmt.Sprintf("The microphone clips: turn down the input of channel %d.", m.channel)
	case silentReference:
		return fmt.Sprintf("Nothing on the reference: check the signal and channel %d.", m.reference)
	case silentMicrophone:
		return fmt.Sprintf("Nothing on the microphone: check its cable and channel %d.", m.channel)
	case averaging:
		return "Averaging: not enough heard yet to tell."
	case ahead:
		return fmt.Sprintf("The microphone is ahead of the reference: swap channels %d and %d?", m.reference, m.channel)
	case noDelay:
		return "No delay found: play broadband sound, louder or longer."
	case tooQuiet:
		return m.quietHeadline()
	}
	if text := m.faultHeadline(); text != "" {
		return text
	}
	switch {
	case m.notLinear == linearity.Clipping:
		return "Peaks are cut on the way: turn down, look for what overloads."
	case m.notLinear != 0:
		return "A limiter or compressor is at work: measure at a lower level."
	case m.leak.Into != crosstalk.None:
		return "One input leaks into the other: check cables and routing."
	}
	if m.n >= 2 {
		return m.combHeadline()
	}
	switch m.movement.Kind {
	case stationarity.Drifts:
		return "The two clocks drift apart: record both with one clock."
	case stationarity.Wanders:
		return "The path moves: put the microphone on a stand, out of the wind."
	}
	polarity := "same polarity."
	switch {
	case m.sign == 0:
		polarity = "polarity cannot be told."
	case m.certainty != wire.Sure:
		polarity = "likely same polarity."
	}
	return m.arrives() + ", " + polarity
}

// HeadlineMax is the longest a headline may be, in characters.
const HeadlineMax = 70

func (m *meaning) quietHeadline() string {
	switch {
	case m.waitS == 0 || math.IsInf(m.snrDB, -1):
		return "Too quiet to tell: turn up."
	case m.grows:
		return "Too quiet to tell: turn up, or wait about " + seconds(m.waitS) + "."
	}
	return "Too quiet to tell: turn up, or average over " + seconds(m.waitS) + "."
}

// faultHeadline is about what somebody has to mend; empty: there is nothing.
func (m *meaning) faultHeadline() string {
	likely := ""
	if m.certainty != wire.Sure {
		likely = "Likely "
	}
	which, own := m.which()
	switch {
	case m.sign < 0 && own && likely == "":
		return "Opposite polarity: check this cabinet's cable or processor."
	case m.sign < 0 && own:
		return "Likely opposite polarity: check this cabinet's cable or processor."
	case m.sign < 0:
		i, j := m.strongestTwo()
		if which == secondArrival {
			i = j
		}
		n := m.index[i]
		if likely == "" {
			return fmt.Sprintf("Arrival %d is inverted: check that loudspeaker's cable or processor.", n)
		}
		return fmt.Sprintf("Arrival %d is likely inverted: check that loudspeaker's cable.", n)
	case m.fault && m.oddLow != 0:
		return "One driver may be reversed: check " + hertz(m.oddLow, 2) + " to " + hertz(m.oddHigh, 2) + "."
	}
	return ""
}

// combHeadline is about two arrivals or more.
func (m *meaning) combHeadline() string {
	i, j := m.strongestTwo()
	a, b := m.arrivals[i], m.arrivals[j]
	first, second := min(m.index[i], m.index[j]), max(m.index[i], m.index[j])
	pair := fmt.Sprintf("Arrivals %d and %d comb: ", first, second)
	if a.Sign*b.Sign < 0 {
		return pair + fmt.Sprintf("check arrival %d's polarity and delay.", second)
	}
	return pair + strconv.FormatFloat(math.Abs(b.DelayMs-a.DelayMs), 'f', 1, 64) + " ms to align if both are loudspeakers."
}

// arrives says when the one arrival comes.
func (m *meaning) arrives() string {
	delay := m.delayMs
	if m.n == 1 && m.fixed {
		delay = m.arrivals[0].DelayMs
	}
	switch {
	case m.fixed && m.n == 0:
		return "Compensation set to " + millis(delay, 2)
	case math.Abs(delay) < 0.005:
		return "One arrival together with the reference"
	case delay < 0:
		return "One arrival " + millis(-delay, 2) + " before the reference"
	}
	return "One arrival after " + millis(delay, 2)
}
