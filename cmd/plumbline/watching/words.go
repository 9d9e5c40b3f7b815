package watching

import (
	"fmt"
	"math"
	"time"

	"plumbline/analyze/watch"
	"plumbline/stream/wire"
)

// changeOf says a change on the wire: what a kind does not have is unknown.
func changeOf(c watch.Change) wire.WatchChange {
	number := func(x float64) wire.Value {
		if x == 0 {
			return wire.Unknown()
		}
		return wire.Value(x)
	}
	return wire.WatchChange{Kind: string(c.Kind), What: c.What, LowHz: number(c.LowHz), HighHz: number(c.HighHz),
		ChangeDB: number(c.ChangeDB), ShiftMs: number(c.ShiftMs)}
}

// markOf says what an event asks for: nobody is sent to a loudspeaker for what a
// moved microphone, the air or a person explains as well.
func markOf(e watch.Event) string {
	switch e.Kind {
	case watch.Restored, watch.InputBack:
		return wire.Steady
	case watch.InputLost:
		return wire.Act
	case watch.NoiseRose, watch.BandChanged, watch.LevelChanged, watch.Moved, watch.Nudged, watch.Shaded:
		return wire.Attention
	}
	if e.Harmless > harmlessAt || certaintyOf(e.Confidence) == wire.CannotTell {
		return wire.Attention
	}
	return wire.Act
}

// harmlessAt is how likely it may be that nothing is at fault when somebody is to act.
const harmlessAt = 0.05

// sureAt is the confidence from which a kind of change is called sure, likelyAt
// that below which it is not called at all.
const (
	sureAt   = 0.95
	likelyAt = 0.6
)

func certaintyOf(confidence float64) string {
	switch {
	case confidence >= sureAt:
		return wire.Sure
	case confidence >= likelyAt:
		return wire.Likely
	}
	return wire.CannotTell
}

// told is the sentence about an event, as sure as it is.
func told(e watch.Event, onset time.Time, byArrival bool) string {
	if e.Kind == watch.InputLost && certaintyOf(e.Confidence) != wire.Sure {
		return fmt.Sprintf("The microphone has heard nothing of the programme since about %s, and little of the room: it is dead, or all that plays is silent. "+
			"Look at its cable, phantom power and channel, then at mutes and amplifiers.", onset.Local().Format("15:04:05"))
	}
	text := sentence(e.Change, onset, byArrival, false)
	if certaintyOf(e.Confidence) != wire.CannotTell {
		return text
	}
	if byArrival {
		text += " A take of each loudspeaker alone at this seat would tell more."
	}
	return "Cause unclear, closest match: " + text
}

// sentence says what has happened since when, and what to look at. byArrival:
// the loudspeakers are known by their arrivals only. more: something else is
// still different.
func sentence(c watch.Change, onset time.Time, byArrival, more bool) string {
	since := "since about " + onset.Local().Format("15:04:05")
	what := c.What
	if what == "" {
		what = "Everything"
	}
	louder := func(db float64) string {
		if db < 0 {
			return fmt.Sprintf("about %.0f dB quieter", -db)
		}
		return fmt.Sprintf("about %.0f dB louder", db)
	}
	switch c.Kind {
	case watch.Restored:
		switch {
		case more && c.What == "":
			return fmt.Sprintf("One change is over, %s; something else still differs from the baseline.", since)
		case more:
			return fmt.Sprintf("%s: as before again, %s; something else still differs from the baseline.", what, since)
		case c.What == "":
			return "Matches the baseline again, " + since + "."
		}
		return fmt.Sprintf("%s: as the baseline again, %s.", what, since)
	case watch.Flipped:
		if c.What == "" {
			return fmt.Sprintf("Everything: opposite polarity %s. Look at the cables of the microphone and of the reference, and at what all loudspeakers share.", since)
		}
		return fmt.Sprintf("%s: opposite polarity %s. Look at its cable and its processor; switch amplifiers off before you touch loudspeaker cables.", what, since)
	case watch.Lost:
		if c.What == "" {
			return fmt.Sprintf("Everything: silent %s, but the microphone still hears the room. Look at what all loudspeakers share: an output, a mute, their power.", since)
		}
		return fmt.Sprintf("%s: silent %s. Look at its mute, its amplifier and its cable.", what, since)
	case watch.LevelChanged:
		return fmt.Sprintf("%s: %s %s. Has somebody turned a gain%s", what, louder(c.ChangeDB), since, orDied(c, byArrival))
	case watch.BandLost:
		return fmt.Sprintf("%s: %s gone %s. Driver, or its amplifier.", what, bandWords(c.LowHz, c.HighHz), since)
	case watch.BandChanged:
		cause := "An equalizer, or something in the way?"
		if c.ChangeDB < 0 {
			cause = "An equalizer, something in the way, or one of several drivers dead?"
		}
		return fmt.Sprintf("%s: %s %s. %s", bandWords(c.LowHz, c.HighHz), louder(c.ChangeDB), since, cause)
	case watch.Moved:
		later := "later"
		if c.ShiftMs < 0 {
			later = "earlier"
		}
		return fmt.Sprintf("%s: arrives about %.2g ms %s, %s. Has its delay or its place changed, or the microphone's?", what, math.Abs(c.ShiftMs), later, since)
	case watch.Nudged:
		return fmt.Sprintf("The microphone, or something near it, moved at about %s: arrivals shifted by up to %.2f ms. Check the stand, or take a new baseline.", onset.Local().Format("15:04:05"), math.Max(c.ShiftMs, 0.01))
	case watch.Shaded:
		return fmt.Sprintf("Somebody or something is in front of the microphone %s: its direct sound is duller. Look there before you look at a loudspeaker.", since)
	case watch.NoiseRose:
		return fmt.Sprintf("The room is about %.0f dB noisier %s.", c.ChangeDB, since)
	case watch.InputLost:
		return fmt.Sprintf("The microphone delivers nothing %s, although there is programme. Look at its cable, phantom power and channel.", since)
	case watch.InputBack:
		return fmt.Sprintf("The microphone is heard again, %s.", since)
	}
	return fmt.Sprintf("%s: %s %s.", what, c.Kind, since)
}

// orDied ends a question about a gain with what else is heard as softer: one of
// two equal loudspeakers that dies costs 3 dB, 6 dB where they arrive together.
func orDied(c watch.Change, byArrival bool) string {
	switch {
	case c.ChangeDB > 0:
		return "?"
	case byArrival:
		return ", or has one of several loudspeakers died? A take of each alone at this seat would tell which."
	case c.What != "":
		return ", or has one of its cabinets died?"
	}
	return "?"
}

func bandWords(low, high float64) string {
	hz := func(f float64) string {
		if f >= 1000 {
			return fmt.Sprintf("%.2g kHz", f/1000)
		}
		return fmt.Sprintf("%.0f Hz", 10*math.Round(f/10))
	}
	switch {
	case low < 60:
		return "all below " + hz(high)
	case high > 12000:
		return "all above " + hz(low)
	}
	return hz(low) + " to " + hz(high)
}

const (
	surelyDB = 0.5 // half an interval that is good enough to speak of "within"
	warmerC  = 1   // from here on the temperature is worth a word
	// deafAfter is how long no samples may arrive before that is said.
	deafAfter = 3 * time.Second
)

// now says how a session stands.
func (s *session) now(at time.Time) wire.Watch {
	v := s.view
	v.LowHz, v.HighHz, v.DifferenceDB, v.ErrorDB = []float64{}, []float64{}, wire.Values{}, wire.Values{}
	v.WithinDB, v.AsItWasS, v.TemperatureC = wire.Unknown(), wire.Unknown(), wire.Unknown()
	if s.watch == nil {
		return v
	}
	if s.paused != "" {
		return s.waits(v)
	}
	within, known := 0.0, false
	for _, d := range s.watch.Differences(nil) {
		v.LowHz, v.HighHz = append(v.LowHz, math.Round(d.LowHz)), append(v.HighHz, math.Round(d.HighHz))
		v.DifferenceDB, v.ErrorDB = append(v.DifferenceDB, hundredths(d.DB)), append(v.ErrorDB, hundredths(d.ErrorDB))
		if d.ErrorDB <= surelyDB {
			within, known = max(within, math.Abs(d.DB)), true
		}
	}
	if known {
		v.WithinDB = wire.Value(math.Round(within*10) / 10)
	}
	v.TemperatureC = wire.Value(math.Round(s.watch.TemperatureC()*10) / 10)
	if at.Sub(s.heard) > deafAfter {
		v.Text, v.Mark, v.Certainty = "No samples arrive, so nothing can be told.", wire.Attention, wire.CannotTell
		return v
	}
	change, ok := s.watch.State()
	if !ok {
		c := changeOf(change)
		if change.Kind == "" {
			c.Kind = string(watch.InputLost)
		}
		v.Wrong, v.Headline, v.Text, v.Mark = &c, s.newest.headline, s.newest.said, s.newest.mark
		v.Certainty = s.newest.certainty
		if v.Text == "" {
			v.Text, v.Mark, v.Certainty = "Checking a change: some seconds.", wire.Attention, wire.CannotTell
		}
		return v
	}
	v.Mark, v.Certainty = wire.Steady, wire.Sure
	v.AsItWasS = wire.Value(math.Round(at.Sub(s.healthy).Seconds()))
	switch {
	case !known:
		v.Text, v.Certainty = "Nothing can be told yet: it needs some seconds of programme on the reference.", wire.CannotTell
	default:
		v.Text = fmt.Sprintf("Matches the baseline within %.1f dB, for %s.", math.Max(within, 0.1), durationWords(at.Sub(s.healthy)))
	}
	if warm := math.Round(10*(s.watch.TemperatureC()-float64(v.BaselineTemperatureC))) / 10; math.Abs(warm) >= warmerC {
		way := "warmer"
		if warm < 0 {
			way = "colder"
		}
		v.Text += fmt.Sprintf(" The air is %.1f °C %s.", math.Abs(warm), way)
	}
	return v
}

func hundredths(x float64) float32 { return float32(math.Round(x*100) / 100) }

func durationWords(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 90*time.Minute:
		return fmt.Sprintf("%.0f minutes", d.Minutes())
	}
	return fmt.Sprintf("%.1f hours", d.Hours())
}
