package verdict

import (
	"fmt"
	"math"
	"strconv"
	"strings"

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
			return fmt.Sprintf("The reference clips: turn down the input of %s.", m.reference.Socket())
		}
		return fmt.Sprintf("The microphone clips: turn down the input of %s.", m.microphone.Socket())
	case silentReference:
		return fmt.Sprintf("Nothing on the reference: check the signal and %s.", m.reference.Socket())
	case silentMicrophone:
		return fmt.Sprintf("Nothing on the microphone: check its cable and %s.", m.microphone.Socket())
	case averaging:
		return "Averaging: not enough heard yet to tell."
	case ahead:
		return fmt.Sprintf("The microphone is ahead of the reference: swap channels %d and %d?", m.reference.Number, m.microphone.Number)
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
	case m.movement.Kind == stationarity.Drifts: // and with it what two arrivals would be aligned by
		return "The two clocks drift apart: record both with one clock."
	case m.movement.Kind == stationarity.Wanders:
		return "The path moves: put the microphone on a stand, out of the wind."
	}
	if _, ok := m.repeats(); ok {
		return "The reference repeats: the delay may be " + millis(m.periodMs, 0) + " longer, or twice that."
	}
	if m.n >= 2 {
		return m.combHeadline()
	}
	return m.arrives() + ", " + m.polarity() + "."
}

// HeadlineMax is the longest a headline may be, in characters.
const HeadlineMax = 70

// Lead is the headline of a text that has none of its own: its first sentence, or as much of
// that as fits, up to where it may end.
func Lead(text string) string {
	if i := strings.Index(text, ". "); i >= 0 {
		text = text[:i+1]
	}
	letters := []rune(text)
	if len(letters) <= HeadlineMax {
		return text
	}
	short := string(letters[:HeadlineMax-1])
	if i := strings.LastIndexAny(short, ":;,"); i > 0 {
		return short[:i] + "."
	}
	return short + "…"
}

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
	switch i, one := m.whose(); {
	case m.sign < 0 && one:
		return fmt.Sprintf("Arrival %d is %sinverted: check its cable or processor.", m.index[i], m.likely())
	case m.sign < 0 && m.n >= 2:
		i, j := m.numbers()
		return fmt.Sprintf("Arrivals %d and %d are %sinverted: check the feed and cables.", i, j, m.likely())
	case m.sign < 0:
		return Capital(m.likely() + "opposite polarity: check this cabinet's cable or processor.")
	case m.fault && m.oddLow != 0:
		return "One driver may be reversed: check " + hertz(m.oddLow, 2) + " to " + hertz(m.oddHigh, 2) + "."
	}
	return ""
}

// likely stands before a polarity that is not sure.
func (m *meaning) likely() string {
	if m.certainty == wire.Sure {
		return ""
	}
	return "likely "
}

// numbers are those of the flags of the two strongest arrivals.
func (m *meaning) numbers() (first, second int) {
	i, j := m.strongestTwo()
	return min(m.index[i], m.index[j]), max(m.index[i], m.index[j])
}

// combHeadline is about two arrivals or more. Of two polarities it names the one that is
// not the reference's.
func (m *meaning) combHeadline() string {
	i, j := m.strongestTwo()
	a, b := m.arrivals[i], m.arrivals[j]
	first, second := m.numbers()
	pair := fmt.Sprintf("Arrivals %d and %d comb: ", first, second)
	if a.Sign*b.Sign < 0 {
		inverted := m.index[j]
		if a.Sign < 0 {
			inverted = m.index[i]
		}
		return pair + fmt.Sprintf("check arrival %d's polarity and delay.", inverted)
	}
	return pair + strconv.FormatFloat(math.Abs(b.DelayMs-a.DelayMs), 'f', 1, 64) + " ms to align if both are loudspeakers."
}

// polarity is that of the reference, in the band it was told in: another loudspeaker may
// play below or above.
func (m *meaning) polarity() string {
	if m.sign == 0 {
		return "polarity cannot be told"
	}
	text := m.likely() + "same polarity"
	if heard := m.heardBand(); m.named(heard) != heard {
		text += ", " + strings.TrimPrefix(m.named(heard), "from ")
	}
	return text
}

// arrives says when the strongest sound comes. It does not count: what is much weaker
// is no part of the meaning.
func (m *meaning) arrives() string {
	delay := m.delayMs
	if m.n == 1 && m.fixed {
		delay = m.arrivals[0].DelayMs
	}
	switch {
	case m.fixed && m.n == 0:
		return "Compensation set to " + millis(delay, 2)
	case math.Abs(delay) < 0.005:
		return "Arrives with the reference"
	case delay < 0:
		return "Arrives " + millis(-delay, 2) + " early"
	}
	return "Arrives after " + millis(delay, 2)
}
