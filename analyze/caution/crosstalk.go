package caution

import (
	"fmt"

	"plumbline/analyze/crosstalk"
)

// Leaks says that one input hears the other electrically.
func Leaks(l crosstalk.Leak, reference, microphone Input) Caution {
	if l.Into == crosstalk.Reference {
		return Caution{Code: Crosstalk, Subject: "The reference", Finding: fmt.Sprintf(" %s hears the microphone %s electrically, %.0f dB down at 0.00 ms. ", reference.Where(), microphone.Where(), l.BelowDB),
			Next: "Separate the cables, turn the microphone's preamplifier down, or use inputs that are not next to each other.", After: softly}
	}
	return Caution{Code: Crosstalk, Subject: "The microphone", Finding: fmt.Sprintf(" %s hears the reference %s electrically, %.0f dB down at 0.00 ms. ", microphone.Where(), reference.Where(), l.BelowDB),
		Next: "Separate the cables, turn the reference's send down, or use inputs that are not next to each other.", After: softly}
}

const softly = " Where the loudspeaker plays softly, the curve is not its own."
