package caution

import (
	"fmt"

	"plumbline/analyze/crosstalk"
)

// Leaks says that one input hears the other electrically.
func Leaks(l crosstalk.Leak, reference, microphone int) Caution {
	if l.Into == crosstalk.Reference {
		return Caution{Code: Crosstalk, Subject: "The reference", Finding: fmt.Sprintf(" on channel %d hears the microphone on channel %d electrically, %.0f dB down at 0.00 ms. ", reference, microphone, l.BelowDB),
			Next: "Separate the cables, turn the microphone's preamplifier down, or use inputs that are not next to each other.", After: softly}
	}
	return Caution{Code: Crosstalk, Subject: "The microphone", Finding: fmt.Sprintf(" on channel %d hears the reference on channel %d electrically, %.0f dB down at 0.00 ms. ", microphone, reference, l.BelowDB),
		Next: "Separate the cables, turn the reference's send down, or use inputs that are not next to each other.", After: softly}
}

const softly = " Where the loudspeaker plays softly, the curve is not its own."
