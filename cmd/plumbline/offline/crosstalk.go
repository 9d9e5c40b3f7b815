package offline

import (
	"context"
	"fmt"

	"plumbline/analyze/crosstalk"
)

// crosstalkWindows of a recording tell well enough what leaks.
const crosstalkWindows = 24

// Crosstalk is what leaks between the reference and each microphone, told from
// windows spread over the recording.
func Crosstalk(ctx context.Context, rec Recording) ([]crosstalk.Leak, error) {
	tests := make([]*crosstalk.Test, len(rec.Microphones))
	for i := range tests {
		tests[i] = crosstalk.New(rec.RateHz())
	}
	leaks := make([]crosstalk.Leak, len(tests))
	n := int64(tests[0].Window())
	room := rec.To - rec.From - n
	if room < 0 {
		return leaks, nil
	}
	count := min(1+2*room/n, crosstalkWindows)
	b := rec.newBlock()
	ref, mics := make([]float64, 0, n), make([][]float64, len(tests))
	for w := range count {
		from := int64(0)
		if count > 1 {
			from = room * w / (count - 1)
		}
		ref = ref[:0]
		for i := range mics {
			mics[i] = mics[i][:0]
		}
		err := rec.each(ctx, b, from, from+n, func(x []float64, ys [][]float64) {
			ref = append(ref, x...)
			for i, y := range ys {
				mics[i] = append(mics[i], y...)
			}
		})
		if err != nil {
			return nil, fmt.Errorf("look for crosstalk: %w", err)
		}
		Each(len(tests), func(i int) { tests[i].Add(ref, mics[i]) })
	}
	for i, t := range tests {
		leaks[i] = t.Judge()
	}
	return leaks, nil
}
