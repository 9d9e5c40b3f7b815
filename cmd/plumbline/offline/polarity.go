package offline

import (
	"context"
	"math"

	"plumbline/analyze/arrival"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// PolarityOverlap is the overlap of what polarity is judged in.
const PolarityOverlap = 0.75

// Polarity judges every microphone at the arrivals found, over the whole
// recording, and makes the two agree: whoever asks for arrivals or for the response
// is told the same. window and delays of a response that is shown make no difference.
func Polarity(ctx context.Context, rec Recording, found []Found, progress func(doneS, ofS float64)) ([]polarity.Verdict, error) {
	cfg := ResponseConfig{Overlap: PolarityOverlap, DelayS: make([]float64, len(found)), Progress: progress}
	for i, f := range found {
		cfg.PeriodS = max(cfg.PeriodS, f.PeriodS)
		if a, ok := f.Main(); ok {
			cfg.DelayS[i] = a.DelayMs / 1000
		}
	}
	result, err := Response(ctx, rec, cfg)
	if err != nil {
		return nil, err
	}
	return Judge(result.Spectra, found), nil
}

// Judge is Polarity of spectra that were measured as it does.
func Judge(spectra []response.Spectra, found []Found) []polarity.Verdict {
	verdicts := make([]polarity.Verdict, len(spectra))
	for i := range spectra {
		v := &verdicts[i]
		if len(found[i].Arrivals) == 0 {
			v.DelayMs = math.NaN()
			v.Undecide(found[i].Reason)
			continue
		}
		polarity.JudgeInto(v, &spectra[i])
		arrival.Agree(found[i].Arrivals, v)
	}
	return verdicts
}
