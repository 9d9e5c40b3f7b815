package offline

import (
	"context"
	"fmt"
	"math"
	"runtime"

	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
)

// inspectS is how much of a recording a worker looks at in one piece.
const inspectS = 20

// Inspect watches all samples of a recording for what is wrong with them.
func Inspect(ctx context.Context, rec Recording) (*caution.Take, error) {
	take := func() *caution.Take { return caution.NewTake(rec.RateHz(), len(rec.Microphones)) }
	whole := take()
	frames := rec.To - rec.From
	piece := inspectS * 10 * whole.SegmentFrames() // ten segments a second
	parts := make([]*caution.Take, (frames+piece-1)/piece)
	errs := make([]error, len(parts))
	workers := runtime.GOMAXPROCS(0)
	share(min(len(parts), workers), workers, func(w int) {
		b := rec.newBlock()
		for i := w; i < len(parts); i += workers {
			parts[i] = take()
			from := int64(i) * piece
			if errs[i] = rec.each(ctx, b, from, min(from+piece, frames), parts[i].Feed); errs[i] != nil {
				return
			}
		}
	})
	for i, part := range parts {
		if errs[i] != nil {
			return nil, errs[i]
		}
		if part != nil {
			whole.Join(part)
		}
	}
	return whole, nil
}

// swappedExcerptsS of a recording tell well enough whether it is turned round.
const swappedExcerptsS = 30

// Ahead looks whether microphone i hears the sound before the reference does:
// where nothing was found, or the strongest arrival is ahead or very late, the
// channels change their parts, which reaches further. The delay is then negative; ok
// is false when nothing says so.
func Ahead(ctx context.Context, rec Recording, i int, found Found) (delayMs, sdMs float64, ok bool, err error) {
	main := mainOrNone(found)
	if !caution.MayBeAhead(main.DelayMs, main.DelaySDMs) {
		return 0, 0, false, nil
	}
	turned := rec
	turned.Reference, turned.Microphones, turned.Leaks = rec.Microphones[i], []int{rec.Reference}, nil
	back, err := Arrivals(ctx, turned, ArrivalsConfig{ExcerptsS: swappedExcerptsS})
	if err != nil {
		return 0, 0, false, fmt.Errorf("look for swapped channels: %w", err)
	}
	if a := mainOrNone(back[0]); caution.TurnedRound(main.DelayMs, main.DelaySDMs, a.DelayMs, a.DelaySDMs) {
		return -a.DelayMs, a.DelaySDMs, true, nil
	}
	return main.DelayMs, main.DelaySDMs, caution.IsAhead(main.DelayMs, main.DelaySDMs), nil
}

// mainOrNone is the strongest arrival, with a delay of NaN for none.
func mainOrNone(f Found) arrival.Arrival {
	a, ok := f.Main()
	if !ok {
		a.DelayMs = math.NaN()
	}
	return a
}
