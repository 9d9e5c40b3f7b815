package caution

import (
	"fmt"
	"math"

	"plumbline/analyze/stationarity"
)

// ClocksDrift says that reference and microphone run on two clocks.
func ClocksDrift(microphone Input, ppm, sd float64) Caution {
	c := Caution{Code: Moving, Lead: "The clocks of the reference and of ", Subject: "the microphone " + microphone.Where(),
		Finding: fmt.Sprintf(" drift apart by %.3g ppm", math.Abs(ppm)), Next: "Record both with one clock."}
	if sd >= 0.005*math.Abs(ppm) {
		c.Finding += fmt.Sprintf(" (±%.1g)", 2*sd)
	}
	c.Finding += ". "
	return c
}

// Step is one moment at which a path changed for good.
type Step struct {
	AtS     float64
	LaterMs float64 // the microphone; negative: earlier
	Samples int     // LaterMs in whole samples where it looks like lost ones, else 0
	GainDB  float64
}

// Stepped says that samples were lost in one channel, or that the path was changed.
func Stepped(reference, microphone Input, steps []Step) Caution {
	first, others := steps[0], ""
	if n := len(steps) - 1; n == 1 {
		others = ", and once more later"
	} else if n > 1 {
		others = fmt.Sprintf(", and %d times more later", n)
	}
	if first.Samples == 0 {
		word := "later"
		if first.LaterMs < 0 {
			word = "earlier"
		}
		return Caution{Code: Moving, Lead: "The sound reaches ", Subject: "the microphone " + microphone.Where(),
			Finding: fmt.Sprintf(" %.3g ms %s from %.1f s on%s. ", math.Abs(first.LaterMs), word, first.AtS, others),
			Next:    "Was it moved, or a delay set? Leave all as it is while you measure."}
	}
	c := Caution{Code: LostSamples, Subject: "The microphone", Next: "Record again, with a larger buffer."}
	channel := microphone
	if first.LaterMs > 0 {
		c.Subject, channel = "The reference", reference
	}
	c.Finding = fmt.Sprintf(" %s lost %s (%.3g ms) at %.1f s%s. ", channel.Where(), count(int64(max(first.Samples, -first.Samples)), "sample"), math.Abs(first.LaterMs), first.AtS, others)
	return c
}

// Wanders says that a path keeps moving.
func Wanders(microphone Input, rangeMs float64) Caution {
	return Caution{Code: Moving, Lead: "The path to ", Subject: "the microphone " + microphone.Where(),
		Finding: fmt.Sprintf(" does not stand still: the sound comes now earlier, now later, by up to %.2g ms. ", rangeMs),
		Next:    "Put the microphone on a stand, and measure when there is no wind."}
}

// GainSteps says that a gain was changed.
func GainSteps(microphone Input, steps []Step) Caution {
	first, word, others := steps[0], "louder", ""
	if first.GainDB < 0 {
		word = "softer"
	}
	if len(steps) > 1 {
		others = ", and changes again later"
	}
	return Caution{Code: NotLinear, Subject: "The microphone", Finding: fmt.Sprintf(" %s gets %.1f dB %s at %.1f s%s. ", microphone.Where(), math.Abs(first.GainDB), word, first.AtS, others),
		Next: "Leave all gains as they are while you measure."}
}

// GainRides says that a gain keeps changing.
func GainRides(microphone Input, rangeDB float64) Caution {
	return Caution{Code: NotLinear, Lead: "The gain to ", Subject: "the microphone " + microphone.Where(),
		Finding: fmt.Sprintf(" rides up and down by %.1f dB. ", rangeDB),
		Next:    "Take out what does that (compressor, automatic gain, a hand on the fader) and record again.",
		After:   fmt.Sprintf(" Its level is known to ±%.1f dB only.", rangeDB/2)}
}

// smearDB is what a path that wanders within a stretch takes from its gain.
const smearDB = 2.0

// Moved puts what a path did into words: at most one caution of when the sound
// comes, and one of how loud. Channels count from 1; offsetS is where in the recording
// the take begins. What was done about it is for the caller to say, in After.
func Moved(v *stationarity.Verdict, reference, microphone Input, offsetS float64) (path, gain []Caution) {
	steps := func(parts []stationarity.Part, set func(s *Step, i int, by float64)) (out []Step) {
		for i, p := range parts[1:] {
			s := Step{AtS: offsetS + (parts[i].ToS+p.FromS)/2}
			set(&s, i, p.Value-parts[i].Value)
			out = append(out, s)
		}
		return out
	}
	switch v.Kind {
	case stationarity.Drifts:
		path = []Caution{ClocksDrift(microphone, v.PPM, v.PPMSD)}
	case stationarity.Steps:
		list := steps(v.Parts, func(s *Step, i int, by float64) {
			if s.LaterMs = 1000 * by; v.Samples != nil {
				s.Samples = v.Samples[i]
			}
		})
		return []Caution{Stepped(reference, microphone, list)}, nil // which looks like a change of gain, too
	case stationarity.Wanders:
		path = []Caution{Wanders(microphone, 1000*v.RangeS)}
		if v.GainRangeDB < smearDB {
			return path, nil
		}
	}
	switch v.Gain {
	case stationarity.Steps:
		gain = []Caution{GainSteps(microphone, steps(v.GainParts, func(s *Step, _ int, by float64) { s.GainDB = by }))}
	case stationarity.Wanders:
		gain = []Caution{GainRides(microphone, v.GainRangeDB)}
	}
	return path, gain
}
