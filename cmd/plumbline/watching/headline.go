package watching

import (
	"fmt"
	"math"
	"unicode"
	"unicode/utf8"

	"plumbline/analyze/watch"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// headline says in verdict.HeadlineMax characters what has happened and what to look at;
// since when, its sentence says.
func headline(e watch.Event) string {
	finding, step := short(e.Change)
	if certaintyOf(e.Confidence) == wire.CannotTell {
		first, size := utf8.DecodeRuneInString(finding)
		finding, step = "Cause unclear, closest match: "+string(unicode.ToLower(first))+finding[size:], ""
	}
	return fit(e.What, finding, step)
}

// short is what a change is and the next step; %s stands for what changed.
func short(c watch.Change) (finding, step string) {
	louder := func(db float64) string {
		if db < 0 {
			return fmt.Sprintf("about %.0f dB quieter", -db)
		}
		return fmt.Sprintf("about %.0f dB louder", db)
	}
	switch c.Kind {
	case watch.Restored:
		if c.What == "" {
			return "Matches the baseline again.", ""
		}
		return "%s matches the baseline again.", ""
	case watch.Flipped:
		if c.What == "" {
			return "%s: opposite polarity.", "Check microphone and reference cables."
		}
		return "%s: opposite polarity.", "Check its cable and processor."
	case watch.Lost:
		if c.What == "" {
			return "No loudspeaker plays.", "Check outputs, mutes and power."
		}
		return "%s: silent.", "Check mute, amplifier and cable."
	case watch.LevelChanged:
		return "%s: " + louder(c.ChangeDB) + ".", "Check gains."
	case watch.BandLost:
		return "%s: " + bandWords(c.LowHz, c.HighHz) + " gone.", "Check driver and amplifier."
	case watch.BandChanged:
		return verdict.Capital(bandWords(c.LowHz, c.HighHz)) + ": " + louder(c.ChangeDB) + ".", "Equalizer or obstacle?"
	case watch.Moved:
		later := "later"
		if c.ShiftMs < 0 {
			later = "earlier"
		}
		return fmt.Sprintf("%%s: about %.2g ms %s.", math.Abs(c.ShiftMs), later), "Delay or place changed?"
	case watch.Nudged:
		return "The microphone moved.", "Check the stand or take a new baseline."
	case watch.Shaded:
		return "Something is in front of the microphone.", "Look there first."
	case watch.NoiseRose:
		return fmt.Sprintf("The room is about %.0f dB noisier.", c.ChangeDB), ""
	case watch.InputLost:
		return "The microphone is silent.", "Check cable, phantom power, channel."
	case watch.InputBack:
		return "The microphone is heard again.", ""
	}
	return "%s: " + string(c.Kind) + ".", ""
}

// fit puts a name into a finding and the next step behind it; where that is too long, the
// name is cut.
func fit(name, finding, step string) string {
	if name == "" {
		name = "everything"
	}
	if step != "" {
		finding += " " + step
	}
	say := func(name string) string {
		for k := 0; k+1 < len(finding); k++ {
			if finding[k:k+2] == "%s" {
				if k == 0 {
					name = verdict.Capital(name)
				}
				return finding[:k] + name + finding[k+2:]
			}
		}
		return finding
	}
	text := say(name)
	over := utf8.RuneCountInString(text) - verdict.HeadlineMax
	if over <= 0 {
		return text
	}
	letters := []rune(name)
	return say(string(letters[:max(1, len(letters)-over-1)]) + "…")
}
