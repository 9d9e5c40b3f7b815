package offline

import (
	"context"
	"fmt"
	"math/bits"

	"plumbline/analyze/room"
)

// windowsOfProgramme is how many windows a recording is at least divided into.
const windowsOfProgramme = 8

// Impulse is an impulse response and the band that it holds.
type Impulse struct {
	Response      []float64
	LowHz, HighHz float64
}

// ProgrammeImpulse measures the path from the reference to the first microphone on
// whatever was played, with the longest window that still leaves eight side by side.
func ProgrammeImpulse(ctx context.Context, rec Recording, progress func(doneS, ofS float64)) (*Impulse, error) {
	most := (rec.To - rec.From) / windowsOfProgramme
	window := 1 << min(19, bits.Len(uint(max(most, 1)))-1)
	if least := 1 << 15; window < least {
		return nil, fmt.Errorf("%.3g s are too short for a room on running programme: record %.0f s or more", rec.DurationS(), float64(windowsOfProgramme*least)/rec.RateHz())
	}
	measured, err := Response(ctx, rec, ResponseConfig{Window: window, Overlap: 0.75, DelayS: []float64{0}, Progress: progress})
	if err != nil {
		return nil, err
	}
	var out Impulse
	var ok bool
	if out.Response, out.LowHz, out.HighHz, ok = room.FromSpectra(&measured.Spectra[0]); !ok {
		return nil, fmt.Errorf("the reference is silent on channel %d: choose another --ref", rec.Reference+1)
	}
	return &out, nil
}
