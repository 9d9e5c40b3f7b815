package offline

import (
	"context"
	"fmt"
	"math"

	"plumbline/analyze/linearity"
)

// linearWindows of a recording tell well enough whether its path is linear.
const linearWindows = 24

// Linearity looks whether the gain from the reference to microphone i, which hears
// it delayMs later, goes with the level, in windows spread over the recording.
func Linearity(ctx context.Context, rec Recording, i int, delayMs float64) (fit linearity.Fit, notLinear bool, err error) {
	leak := rec.leak(i)
	rec.Microphones = rec.Microphones[i : i+1]
	test := linearity.New(rec.RateHz())
	n, lead := int64(test.Window()), int64(test.Lead())
	delay := int64(math.Round(delayMs / 1000 * rec.RateHz()))
	if delay < 0 {
		return fit, false, nil
	}
	// A window of the microphone begins at 0 … room.
	first := lead + delay
	room := rec.To - rec.From - n - first
	if room < 0 {
		return fit, false, nil
	}
	count := min(1+2*room/n, linearWindows)
	length := lead + n
	refs, mics := make([][]float64, count), make([][]float64, count)
	top := 0.0
	b := rec.newBlock()
	for w := range count {
		from := first
		if count > 1 {
			from += room * w / (count - 1)
		}
		x, y := make([]float64, 0, length+delay), make([]float64, 0, length+delay)
		err := rec.each(ctx, b, from-lead-delay, from+n, func(ref []float64, mics [][]float64) {
			x, y = append(x, ref...), append(y, mics[0]...)
		})
		if err != nil {
			return fit, false, fmt.Errorf("look whether the path is linear: %w", err)
		}
		leak.Take(x, y)
		refs[w], mics[w] = x[:length], y[lead+delay:]
		for _, v := range refs[w] {
			top = max(top, v, -v)
		}
	}
	test.Reset(top)
	for w := range refs {
		test.Add(refs[w], mics[w])
	}
	fit, notLinear = test.Judge()
	return fit, notLinear, nil
}
