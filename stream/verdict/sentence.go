package verdict

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/analyze/air"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/analyze/stationarity"
	"plumbline/analyze/summation"
	"plumbline/stream/wire"
)

// Sentence is a verdict: a headline of at most HeadlineMax characters, which says what
// happened and what to do, its text in parts, how certain it is, and its mark.
type Sentence struct {
	Headline  string
	Parts     []wire.Part
	Certainty string
	Mark      string
}

// Text is all parts in a row.
func (s Sentence) Text() string {
	var b strings.Builder
	for _, p := range s.Parts {
		b.WriteString(p.Text)
	}
	return b.String()
}

// Waiting is what is said before the first frame.
func Waiting(source string) Sentence {
	s := Sentence{Headline: "Waiting for sound.", Certainty: wire.CannotTell, Mark: wire.Steady}
	s.say("Waiting for sound from ").about("source", source).say(".")
	return s
}

// NoSource is what is said before anybody has chosen one.
func NoSource() Sentence {
	s := Sentence{Headline: "No source yet.", Certainty: wire.CannotTell, Mark: wire.Act}
	s.say("Choose the device and its channels under ").about("setup", "Set up").say(".")
	return s
}

// Stale is what is said when frames have stopped coming.
func Stale(since time.Time, source, text string) Sentence {
	s := Sentence{Headline: "No sound since " + since.Format("15:04:05") + ".", Certainty: wire.CannotTell, Mark: wire.Attention}
	s.say("No data since ").say(since.Format("15:04:05")).say(" from ").about("source", source)
	if text == "" {
		s.say(".")
	} else {
		s.say(": ").about("source", stop(text))
	}
	return s
}

// Caution stands wherever somebody may now reach for a cable.
const Caution = "Switch amplifiers off before touching loudspeaker cables."

func (s *Sentence) say(text string) *Sentence { return s.about("", text) }

func (s *Sentence) about(what, text string) *Sentence {
	s.Parts = append(s.Parts, wire.Part{Text: text, About: what})
	return s
}

// sentence puts a meaning into words.
func (m *meaning) sentence() Sentence {
	s := Sentence{Headline: m.headline(), Certainty: m.certainty, Mark: wire.Steady}
	if m.held {
		const held = "On hold. "
		s.about("averaging", held)
		if utf8.RuneCountInString(held+s.Headline) <= HeadlineMax {
			s.Headline = held + s.Headline
		}
	}
	switch m.kind {
	case clippedInput:
		s.Mark = wire.Act
		s.caution(m.caution())
	case silentReference, silentMicrophone:
		s.Mark = wire.Attention
		s.caution(m.caution())
	case ahead:
		s.Mark = wire.Act
		s.caution(m.caution())
	case averaging:
		s.about("averaging", "Averaging").say(": not enough heard yet to tell.")
	case noDelay:
		s.Mark = wire.Attention
		s.say("No delay found for ").about("microphone", m.subject(false)).say(because(m.reason, "nothing in it is clearly a copy of the reference"))
	case tooQuiet:
		s.Mark = wire.Attention
		m.sayQuiet(&s)
	case heard:
		// What somebody has to act on comes first: a small screen shows the beginning.
		if m.sign < 0 || m.fault {
			m.sayPolarity(&s)
			m.sayArrivals(s.say(" "))
		} else {
			m.sayArrivals(&s)
			m.sayPolarity(s.say(" "))
		}
		m.sayTrust(s.say(" "))
		m.sayCautions(&s)
	}
	return s
}

// sayCautions puts what speaks against the measurement, and against reaching for a cable,
// behind the figures, in parts of their own.
func (m *meaning) sayCautions(s *Sentence) {
	figures := len(s.Parts)
	for _, c := range m.cautions() {
		if s.Mark == wire.Steady {
			s.Mark = wire.Attention
		}
		s.say(" ").caution(c, true)
	}
	if m.sign < 0 || m.fault && m.oddLow != 0 {
		s.say(" ").about("caution", Caution)
	}
	for i := range s.Parts[figures:] {
		s.Parts[figures+i].Caution = true
	}
}

// repeats is what the meaning says of a reference that repeats itself.
func (m *meaning) repeats() (c caution.Caution, ok bool) {
	if m.periodMs == 0 || m.kind != heard && m.kind != noDelay || m.fixed {
		return c, false
	}
	return caution.Repeats(m.reference, m.periodMs, m.kind == heard), true
}

// caution is what the meaning says against the measurement; false: nothing.
func (m *meaning) caution() (c caution.Caution, ok bool) {
	switch m.kind {
	case clippedInput:
		if m.onReference {
			return caution.Clips(true, m.reference), true
		}
		return caution.Clips(false, m.microphone), true
	case silentReference:
		return caution.NothingOnReference(m.reference), true
	case silentMicrophone:
		return caution.NothingOnMicrophone(m.microphone), true
	case ahead:
		return caution.Ahead(-m.delayMs, m.reference, m.microphone), true
	case noDelay:
		return caution.WithoutDelay(m.microphone, m.reason), true
	case heard:
		return m.moving()
	}
	return c, false
}

// moving is what speaks against a path that does not stand still.
func (m *meaning) moving() (c caution.Caution, ok bool) {
	switch m.movement.Kind {
	case stationarity.Drifts:
		return caution.ClocksDrift(m.microphone, m.movement.PPM, 0), true
	case stationarity.Wanders:
		return caution.Wanders(m.microphone, 1000*m.movement.RangeS), true
	}
	return c, false
}

// cautions are all of them, the most urgent first.
func (m *meaning) cautions() (list []caution.Caution) {
	if c, ok := m.caution(); ok {
		list = append(list, c)
	}
	switch {
	case m.kind != heard: // what is worse is said
	case m.notLinear == linearity.Clipping:
		list = append(list, caution.PeaksCut(m.microphone))
	case m.notLinear != 0:
		list = append(list, caution.GainFollows(m.microphone))
	}
	if m.leak.Into != crosstalk.None && m.kind > silentMicrophone {
		list = append(list, caution.Leaks(m.leak, m.reference, m.microphone))
	}
	if c, ok := m.repeats(); ok {
		list = append(list, c)
	}
	caution.Sort(list)
	return list
}

// caution says what is wrong as the command line does, its parts pointing at the
// channel and at the next step.
func (s *Sentence) caution(c caution.Caution, ok bool) {
	if !ok {
		return
	}
	subject := "microphone"
	if strings.Contains(c.Subject, "reference") {
		subject = "reference"
	}
	for _, part := range []struct{ about, text string }{{"", c.Lead}, {subject, c.Subject}, {"", c.Finding}, {"next", c.Next}, {"", c.After}} {
		if part.text != "" {
			s.about(part.about, part.text)
		}
	}
}

func (m *meaning) subject(first bool) string {
	the := "the"
	if first {
		the = "The"
	}
	if m.several {
		return the + " microphone " + m.microphone.Where()
	}
	return the + " microphone"
}

func (m *meaning) sayQuiet(s *Sentence) {
	s.about("level", "Too quiet to tell").say(": ")
	switch d := int(math.Round(m.snrDB)); {
	case math.IsInf(m.snrDB, -1):
		s.say("nothing of the signal stands out of the room. ").about("next", "Turn up.")
		return
	case d > 0:
		s.say(fmt.Sprintf("the room is only %d dB below the signal. ", d))
	case d < 0:
		s.say(fmt.Sprintf("the room is %d dB above the signal. ", -d))
	default:
		s.say("the room is as loud as the signal. ")
	}
	switch {
	case m.waitS == 0:
		s.about("next", "Turn up.")
	case m.grows:
		s.about("next", "Turn up, or wait about "+seconds(m.waitS)+".")
	default:
		s.about("next", "Turn up, or average over "+seconds(m.waitS)+".")
	}
}

// sayArrivals names the two loudest arrivals by the numbers of their flags.
func (m *meaning) sayArrivals(s *Sentence) {
	if m.n < 2 {
		m.sayOneArrival(s)
		return
	}
	i, j := m.strongestTwo()
	if m.arrivals[j].DelayMs < m.arrivals[i].DelayMs { // a list that a moment overtook
		i, j = j, i
	}
	a, b := m.arrivals[i], m.arrivals[j]
	if m.several {
		s.say("At ").about("microphone", m.subject(false)).say(": ").say(m.arrival(i, false))
	} else {
		s.say(m.arrival(i, true))
	}
	second := m.about(j)
	s.say(" at ").about(m.about(i), millis(a.DelayMs, 1)).say("; "+m.arrival(j, false)+" at ").about(second, millis(b.DelayMs, 1)).
		say(", ").about(second, louder(b.LevelDB-a.LevelDB))
	if a.Sign*b.Sign < 0 {
		s.say(", ").about("polarity", "opposite polarity")
	}
	apart := math.Abs(b.DelayMs - a.DelayMs)
	if a.Sign*b.Sign == 0 { // notches and peaks change places with the polarity
		s.say(". They comb every ").about("comb", hertz(1000/apart, 3)).say(".")
		return
	}
	// Three notches: from half the first one up, that of copies of opposite polarity.
	notches := summation.NewComb(apart, a.LevelDB-b.LevelDB, a.Sign*b.Sign, summation.Band{LowHz: 250 / apart, HighHz: 3001 / apart}).NotchHz
	s.say(". They comb at ").about("comb", hertz(notches[0], 3)+", "+hertz(notches[1], 3)+", "+hertz(notches[2], 3)+", …")
}

// arrival is what the arrival at place i of those that matter is called: as its flag is.
func (m *meaning) arrival(i int, first bool) string {
	if first {
		return "Arrival " + strconv.Itoa(m.index[i])
	}
	return "arrival " + strconv.Itoa(m.index[i])
}

// about names the arrival at place i of those that matter, by its place in the frame.
func (m *meaning) about(i int) string { return "arrival:" + strconv.Itoa(m.index[i]) }

// strongestTwo are the places of the two loudest arrivals, the earlier one first.
func (m *meaning) strongestTwo() (i, j int) {
	i, j = 0, 1
	for k := 2; k < m.n; k++ {
		weaker := &i
		if m.arrivals[j].LevelDB < m.arrivals[i].LevelDB {
			weaker = &j
		}
		if m.arrivals[k].LevelDB > m.arrivals[*weaker].LevelDB {
			*weaker = k
		}
	}
	return min(i, j), max(i, j)
}

func (m *meaning) sayOneArrival(s *Sentence) {
	delay, about := m.delayMs, "delay"
	if m.n == 1 {
		about = m.about(0)
		if m.fixed { // what was set is no evidence
			delay = m.arrivals[0].DelayMs
		}
	}
	if m.fixed && m.n == 0 {
		s.say("The compensation is set to ").about("delay", millis(delay, 2)).say(".")
		return
	}
	s.about("microphone", m.subject(true)).say(" hears the loudspeaker ")
	switch {
	case math.Abs(delay) < 0.005:
		s.about(about, "together with the reference").say(".")
		return
	case delay < 0:
		s.about(about, millis(-delay, 2)).say(" before the reference.")
		return
	}
	distance := delay / 1000 * air.SpeedOfSound(m.temperature)
	s.about(about, millis(delay, 2)).say(" after the reference (").
		about("distance", strconv.FormatFloat(distance, 'f', 2, 64)+" m").say(").")
}

func (m *meaning) sayPolarity(s *Sentence) {
	heard := m.heardBand()
	which, own := m.which()
	named, evidence := m.named(heard), "trusted"
	if named != heard {
		evidence = "polarity"
	}
	odd := func() *Sentence { return s.about("polarity", hertz(m.oddLow, 2)+" to "+hertz(m.oddHigh, 2)) }
	fault := m.fault && m.oddLow != 0
	if fault {
		s.Mark = wire.Act
		s.say("Inverted from ")
		odd().say(": ").about("next", "one driver in this cabinet may be reversed.").say(" ")
	}
	switch {
	case m.sign < 0:
		if s.Mark = wire.Act; m.certainty != wire.Sure {
			s.Mark = wire.Attention
		}
		if own {
			s.about("polarity", "Opposite polarity").say(" to the reference")
		} else {
			s.about("polarity", Capital(which)+" is inverted")
		}
		s.say(" ").about(evidence, named).
			say(" (").about("polarity", m.certainty).say("). ").
			about("next", "Check the cable or the processor of "+map[bool]string{true: "this cabinet.", false: "that loudspeaker."}[own])
	case m.sign > 0:
		if own {
			s.about("polarity", "Same polarity")
		} else {
			s.about("polarity", Capital(which)+" has the polarity of the reference")
		}
		if m.certainty != wire.Sure {
			s.say(" (").about("polarity", m.certainty).say(")")
		}
		if named != heard {
			s.say(" ").about("polarity", named)
		}
		s.say(".")
	default:
		s.about("polarity", "Polarity: cannot tell").say(because(m.reason, "the evidence points both ways"))
	}
	if m.oddLow != 0 && !fault {
		s.say(" From ")
		odd().say(" it is inverted, as a crossover of 12 dB an octave makes it by design.")
	}
	if m.n > 1 && s.Mark == wire.Steady {
		s.Mark = wire.Attention
	}
}

// sayTrust says where more than chance was heard, and where that is good enough to
// equalise by.
func (m *meaning) sayTrust(s *Sentence) {
	heard, known := m.heardBand(), band(m.knownLow, m.knownHigh)
	const to = "known to ±1 dB " // knownDB
	switch {
	case m.knownHigh == 0:
		s.say("Heard ").about("trusted", heard).say(", not known to ±1 dB yet.")
	case near(m.knownLow, m.low, 1.25) && near(m.knownHigh, m.high, 1.25):
		s.say(Capital(to)).about("trusted", heard).say(".")
	default:
		s.say("Heard ").about("trusted", heard).say(", "+to).about("known", known).say(".")
	}
}

// heardBand is the band in which the coherence is above chance.
func (m *meaning) heardBand() string { return band(m.low, m.high) }

func band(low, high float64) string { return "from " + hertz(low, 2) + " to " + hertz(high, 2) }

// named is the band that the sign was told in, heard where that is about the same.
func (m *meaning) named(heard string) string {
	if m.signLow == 0 || near(m.signLow, m.low, 1.25) && near(m.signHigh, m.high, 1.25) {
		return heard
	}
	if near(m.signHigh, m.high, 1.25) && m.sign > 0 {
		return "from " + hertz(m.signLow, 2) + " up"
	}
	return band(m.signLow, m.signHigh)
}

// which says whose polarity is told, where two arrivals have been named that are
// not known to be of one polarity; own where there is but one.
func (m *meaning) which() (which string, own bool) {
	if i, ok := m.whose(); ok {
		return m.arrival(i, false), false
	}
	return "", true
}

// whose is the place of the arrival whose polarity is told, where that is not true of both.
func (m *meaning) whose() (i int, ok bool) {
	if m.n < 2 {
		return 0, false
	}
	i, j := m.strongestTwo()
	a, b := m.arrivals[i], m.arrivals[j]
	of := func(delayMs float64) bool { return math.Abs(delayMs-m.delayMs) < 0.5 }
	switch {
	case a.Sign*b.Sign > 0:
	case of(a.DelayMs):
		return i, true
	case of(b.DelayMs):
		return j, true
	}
	return 0, false
}

// because ends a "cannot tell" with its reason.
func because(reason, otherwise string) string {
	if reason == "" {
		reason = otherwise
	}
	return ": " + stop(reason)
}

// Capital is s with its first letter as at the beginning of a sentence.
func Capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	if r == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(r)) + s[size:]
}

// stop ends a clause with a full stop.
func stop(s string) string { return strings.TrimRight(s, ". ") + "." }

func millis(ms float64, decimals int) string {
	return strconv.FormatFloat(ms, 'f', decimals, 64) + " ms"
}

// hertz writes a frequency with at most that many significant figures.
func hertz(f float64, figures int) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', figures, 64), 64)
	switch {
	case err != nil:
		return "? Hz"
	case rounded >= 1000:
		return strconv.FormatFloat(rounded/1000, 'f', -1, 64) + " kHz"
	case rounded >= 10:
		return strconv.FormatFloat(math.Round(rounded), 'f', 0, 64) + " Hz"
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64) + " Hz"
}

// louder compares a later arrival with the first.
func louder(db float64) string {
	switch d := int(math.Round(db)); {
	case d < 0:
		return fmt.Sprintf("%d dB down", -d)
	case d > 0:
		return fmt.Sprintf("%d dB up", d)
	}
	return "as loud"
}

// seconds rounds as one would say it.
func seconds(s float64) string {
	switch {
	case s < 10:
		return strconv.Itoa(max(1, int(math.Ceil(s)))) + " s"
	case s < 90:
		return strconv.Itoa(10*int(math.Ceil(s/10))) + " s"
	}
	return strconv.Itoa(int(math.Ceil(s/60))) + " min"
}
