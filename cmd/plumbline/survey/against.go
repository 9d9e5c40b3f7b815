package survey

import (
	"math"
	"slices"

	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/stream/wire"
)

// Windows of a take in which crosstalk and the gain are looked at: so many of one
// microphone, and of all together, each of which takes some milliseconds.
const (
	mostWindows, fewestWindows = 24, 6
	allWindows                 = 96
)

// again is what to do about a take that something speaks against.
const again = " Take it again."

// against is what speaks against the take of a microphone (from 0) in the newest of the
// audio, as the commands say it of a recording; reason is why there is no arrival.
// Never nil. It changes nothing of the take.
func (m *measurement) against(i int, reason string) []wire.Caution {
	out := []wire.Caution{}
	ref, mic := m.kept(i)
	reference, microphone, rate := caution.At(m.setup.Reference), m.input(i), float64(m.setup.SampleRateHz)
	facts := caution.NewTake(rate, 1)
	facts.Feed(ref, [][]float64{mic})
	// The audio kept may begin later than what was heard.
	list := facts.Facts(0).Cautions(reference, microphone, m.heardS()-float64(len(ref))/rate)
	path, gain := m.moved(i, ref, mic)
	list = append(list, path...)

	leak := m.leak(ref, mic)
	if leak.Into != crosstalk.None {
		list = append(list, caution.Leaks(leak, reference, microphone))
	}
	main := strongest(m.arrivals[i])
	switch {
	case len(path) > 0: // of what moves, neither arrivals nor gain are one
	case len(m.arrivals[i]) == 0:
		c := caution.WithoutDelay(microphone, reason)
		c.Next = "Its curve is taken without a delay and may be too low: play louder or longer."
		list = append(list, c)
	case caution.IsAhead(main.DelayMs, main.DelaySDMs):
		list = append(list, caution.Ahead(-main.DelayMs, reference, microphone))
	case !caution.Has(list, caution.Clipped): // else that is why
		leak.Take(ref, mic)
		if kind := m.follows(ref, mic, main); kind == linearity.Clipping {
			list = append(list, caution.PeaksCut(microphone))
		} else if kind != 0 { // and then it rides as well
			list, gain = append(list, caution.GainFollows(microphone)), nil
		}
	}
	list = append(list, gain...)
	if s := m.finders[i].PeriodS(); s > 0 {
		list = append(list, caution.Repeats(reference, 1000*s, len(m.arrivals[i]) > 0))
	}
	caution.Sort(list)
	for _, c := range list {
		if c.Code != caution.NoDelay { // a sub's will be no better
			c.After += again
		}
		out = append(out, wire.Caution{Code: string(c.Code), Text: c.Text()})
	}
	return out
}

// kept is the newest audio of the reference and a microphone.
func (m *measurement) kept(i int) (ref, mic []float64) {
	n := m.channels()
	frames := len(m.audio) / n
	ref, mic = make([]float64, frames), make([]float64, frames)
	for k := range frames {
		ref[k], mic[k] = float64(m.audio[k*n]), float64(m.audio[k*n+1+i])
	}
	return ref, mic
}

// spread is where windows begin that fit into room samples more than one, size long.
func (m *measurement) spread(room, size int) (at []int) {
	if room < 0 {
		return nil
	}
	most := max(fewestWindows, min(mostWindows, allWindows/len(m.microphones)))
	count := min(1+2*room/size, most)
	for k := range count {
		at = append(at, room*k/max(1, count-1))
	}
	return at
}

// leak is what one of the inputs hears of the other electrically.
func (m *measurement) leak(ref, mic []float64) crosstalk.Leak {
	test := crosstalk.New(float64(m.setup.SampleRateHz))
	n := test.Window()
	for _, at := range m.spread(len(ref)-n, n) {
		test.Add(ref[at:at+n], mic[at:at+n])
	}
	return test.Judge()
}

// follows is how the gain goes with the level; 0: as far as can be told it does not.
func (m *measurement) follows(ref, mic []float64, main arrival.Arrival) linearity.Kind {
	test := linearity.New(float64(m.setup.SampleRateHz))
	n, lead := test.Window(), test.Lead()
	delay := max(0, int(math.Round(main.DelayMs/1000*float64(m.setup.SampleRateHz))))
	first := lead + delay
	if len(ref) < n+first {
		return 0
	}
	test.Reset(max(slices.Max(ref), -slices.Min(ref)))
	for _, at := range m.spread(len(ref)-n-first, n) {
		test.Add(ref[at:at+lead+n], mic[at+first:at+first+n])
	}
	fit, not := test.Judge()
	if !not {
		return 0
	}
	return fit.Kind
}
