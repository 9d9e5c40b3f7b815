package offline

import (
	"context"
	"fmt"
	"runtime"

	"plumbline/analyze/caution"
	"plumbline/analyze/response"
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
// is false when nothing says so. Of a reference of which several delays fit, nothing
// can, since one of them is ahead; and what is very late has to be less alike.
func Ahead(ctx context.Context, rec Recording, i int, found Found) (delayMs, sdMs float64, ok bool, err error) {
	main, any := found.Main()
	isAhead := any && caution.IsAhead(main.DelayMs, main.DelaySDMs)
	late := any && caution.IsLate(main.DelayMs)
	if any && !isAhead && !late || found.Several || found.PeriodS > 0 {
		return main.DelayMs, main.DelaySDMs, isAhead, nil
	}
	turned := rec
	turned.Reference, turned.Microphones, turned.Leaks = rec.Microphones[i], []int{rec.Reference}, nil
	back, err := Arrivals(ctx, turned, ArrivalsConfig{ExcerptsS: swappedExcerptsS})
	if err != nil {
		return 0, 0, false, fmt.Errorf("look for swapped channels: %w", err)
	}
	a, there := back[0].Main()
	if !there || !caution.IsAhead(-a.DelayMs, a.DelaySDMs) {
		return main.DelayMs, main.DelaySDMs, isAhead, nil
	}
	if late {
		one := rec
		one.Microphones, one.Leaks = rec.Microphones[i:i+1], nil
		so, err := alike(ctx, one, main.DelayMs)
		if err != nil {
			return 0, 0, false, err
		}
		round, err := alike(ctx, turned, a.DelayMs)
		if err != nil {
			return 0, 0, false, err
		}
		if !(round > so+response.MoreAlike) {
			return 0, 0, false, nil
		}
	}
	return -a.DelayMs, a.DelaySDMs, true, nil
}

// alike is response.Alike of the channels of a recording with one microphone.
func alike(ctx context.Context, rec Recording, delayMs float64) (float64, error) {
	r, err := Response(ctx, rec, ResponseConfig{Window: response.AlikeWindow, Overlap: 0.5, DelayS: []float64{delayMs / 1000}})
	if err != nil {
		return 0, fmt.Errorf("look for swapped channels: %w", err)
	}
	return response.Alike(&r.Spectra[0]), nil
}
