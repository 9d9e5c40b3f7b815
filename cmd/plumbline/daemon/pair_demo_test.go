package daemon

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// The demo as it is once its fill stands where it should: beside the main at the
// seat, to a fraction of a millisecond, 4 dB down. While it is reversed no band is told
// to be the same in which it plays, unless it is listed as an arrival of its own and the
// verdict says which one it is about; nor is anything told to be opposite that is not.
func TestDemoFillBesideTheMain(t *testing.T) {
	raced.NotFor(t, "as many goroutines as in TestDemoReferenceStops, and minutes of sound")
	offsets := []float64{-0.3, -0.1, 0.25}
	if thorough {
		offsets = offsets[:0]
		for i := -10; i <= 10; i++ {
			if i < -1 || i > 1 { // nearer than the band resolves two are one
				offsets = append(offsets, float64(i)/20)
			}
		}
	}
	said, silent := 0, 0
	for _, polarity := range []string{rig.Opposite, rig.Same} {
		t.Run(polarity, func(t *testing.T) {
			open(t, rig.Demo(), true, func(v *venue) {
				v.wait(4 * time.Second)
				for _, off := range offsets {
					main, fill := demoTimes()
					delay := rig.Demo().Loudspeakers[1].DelayMs + main - fill + off
					v.change(speaker("fill", wire.LoudspeakerPatch{Polarity: &polarity, DelayMs: &delay}))
					v.wait(3 * time.Second)
					for range 4 {
						v.wait(time.Second / 2)
						m := &v.frame().Microphones[0]
						if m.Polarity.Verdict == "undecided" {
							silent++
						} else {
							said++
						}
						if wrong := besides(v.r.Scene(), m, main, main+off); wrong != "" {
							t.Errorf("fill %+.2f ms beside the main: %s: %s; %s", off, wrong, m.Verdict, list(m.Arrivals))
						}
					}
				}
			})
		})
	}
	t.Logf("polarity told in %d frames, undecided in %d", said, silent)
}

// besides is what is told that is not so of the demo with the fill at another time, "" if
// nothing is.
func besides(s rig.Scene, m *wire.Microphone, main, fill float64) string {
	times := []float64{main, fill}
	signs := []string{"same", "same"}
	if s.Loudspeakers[1].Polarity == rig.Opposite {
		signs[1] = "opposite"
	}
	own := func(ms float64) int {
		return slices.IndexFunc(m.Arrivals, func(a wire.ArrivalObject) bool { return math.Abs(float64(a.DelayMs)-ms) < 0.15 })
	}
	right := signs
	if about := m.Polarity.OfArrivalMs; about != nil && own(main) >= 0 && own(fill) >= 0 && own(main) != own(fill) {
		which := 0
		if math.Abs(float64(*about)-fill) < math.Abs(float64(*about)-main) {
			which = 1
		}
		right = signs[which : which+1]
	}
	check := func(what, word string, lowHz, highHz float64) string {
		// The fill's own edge: below it plays 12 dB less than the main at 50 Hz.
		if word == "undecided" || highHz < 100 {
			return ""
		}
		for _, sign := range right {
			if sign != word {
				return fmt.Sprintf("%s %s", what, word)
			}
		}
		return ""
	}
	if wrong := check("polarity", m.Polarity.Verdict, 0, 20000); wrong != "" {
		return wrong
	}
	for _, b := range m.Polarity.Bands {
		if wrong := check(fmt.Sprintf("band %.0f…%.0f Hz", float64(b.LowHz), float64(b.HighHz)), b.Verdict, float64(b.LowHz), float64(b.HighHz)); wrong != "" {
			return wrong
		}
	}
	for _, a := range m.Arrivals {
		for i := range times {
			if only := math.Abs(main-fill) > 0.3; math.Abs(float64(a.DelayMs)-times[i]) < 0.1 && a.Polarity != "undecided" && a.Polarity != signs[i] && only {
				return fmt.Sprintf("arrival at %.2f ms %s", float64(a.DelayMs), a.Polarity)
			}
			if math.Abs(main-fill) <= 0.3 && math.Abs(float64(a.DelayMs)-times[i]) < 0.15 && a.Polarity != "undecided" && signs[0] != signs[1] {
				return fmt.Sprintf("arrival at %.2f ms, which are two, %s", float64(a.DelayMs), a.Polarity)
			}
		}
	}
	if strings.Contains(m.Verdict, "ame polarity") && right[0] != "same" {
		return "the sentence"
	}
	return ""
}
