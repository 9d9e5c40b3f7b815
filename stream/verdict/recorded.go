package verdict

import (
	"math"

	"plumbline/analyze"
)

// Recorded is the sentence about a microphone of a recording, as a live one has it: of its
// delay, arrivals, polarity and curve. What the inputs did (silence, clipping) is not asked
// here, the commands look at that themselves.
func Recorded(m *analyze.Microphone, reference int, o Options) Sentence {
	f := &analyze.Frame{
		SampleRateHz: 1, AveragedS: math.Inf(1),
		Reference:   analyze.Input{Channel: reference},
		Microphones: []analyze.Microphone{*m},
	}
	var k Keeper
	k.Update(f, 0, o)
	return k.Sentence()
}
