package survey

import (
	"fmt"
	"math"
	"strings"

	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

func (j *job) sayNext(step int) string {
	if step+1 < len(j.steps) {
		return "Next: " + j.sayPlaying(j.steps[step+1]) + "."
	}
	return "Then it is done."
}

func (j *job) sayRamp(step int, seconds float64) string {
	text := fmt.Sprintf("%s: the test signal rises to %.4g dBFS in %.2g s.", verdict.Capital(j.sayPlaying(j.steps[step])), j.level, seconds)
	if step == 0 {
		text = "Protect your hearing. " + text
	}
	return text + " Next: measure it at " + seatNames(j) + "."
}

func (j *job) sayMeasuring(step int, m *measurement) string {
	what := j.sayPlaying(j.steps[step])
	switch {
	case !m.found:
		return fmt.Sprintf("Listening for the arrival of %s. Next: measure until ±%g dB.", what, j.goal.WithinDB)
	case m.heardS() < knowAfterS || math.IsInf(m.remainingS, 0):
		return fmt.Sprintf("Measuring %s at %s: finding what it plays. %s", what, seatNames(j), j.sayNext(step))
	}
	text := fmt.Sprintf("Measuring %s at %s, %s: %s. ", what, seatNames(j), m.playsWords(), about(m.remainingS))
	if missed := m.missedWords(); missed != "" && m.heardS() > tellMissedS {
		text += verdict.Capital(missed) + ". "
	}
	return text + j.sayNext(step)
}

// tellMissedS is the audio after which it can be told what will not be reached.
const tellMissedS = 6.0

func (j *job) sayStoring(step int) string {
	return fmt.Sprintf("Sound off. Storing %s at %s. %s", j.sayPlaying(j.steps[step]), seatNames(j), j.sayNext(step))
}

func (j *job) sayDone(v *wire.Survey) string {
	if j.purpose == wire.PurposeVerify {
		if v.Verification != nil {
			return v.Verification.Text
		}
		return "Measured. Sound off."
	}
	text := fmt.Sprintf("%s: %s, %s and both are stored. Sound off. ", verdict.Capital(seatNames(j)), j.main.Name, j.fill.Name)
	for _, missed := range j.missed {
		text += verdict.Capital(missed) + ". "
	}
	return text + "Next: move the microphone to another seat, or look at the plan."
}

func sayStopped(err error, v *wire.Survey) string {
	return fmt.Sprintf("Sound off: %s. %s", err, kept(v))
}

func sayFailed(err error, v *wire.Survey) string {
	return fmt.Sprintf("Sound off: %s. %s", strings.TrimSuffix(err.Error(), "."), kept(v))
}

// kept says what became of the takes.
func kept(v *wire.Survey) string {
	switch n := len(v.Takes); n {
	case 0:
		return "Nothing was stored."
	case 1:
		return "One take was stored and stays."
	default:
		return fmt.Sprintf("%d takes were stored and stay.", n)
	}
}
