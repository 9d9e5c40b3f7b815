package survey

import (
	"math"
	"slices"
	"testing"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// The trace of what is being measured is there before the take is, names who plays, is that
// of the take in the end, and its interval shrinks meanwhile.
func TestTraceGrows(t *testing.T) {
	raced.NotFor(t, "it waits for narrow intervals")
	inBubble(t, func(w *world) { w.noise = 0.02 }, func(t *testing.T, b *stage) {
		if v := b.s.Trace(); v.Step != 0 || len(v.Microphones) != 0 {
			t.Errorf("before anything is measured: %+v", v)
		}
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		// at reads level and width at 1 kHz.
		at := func(v wire.SurveyTrace) (level, width float64) {
			m := v.Microphones[0]
			i := slices.IndexFunc(m.FrequencyHz, func(f float64) bool { return f >= 1000 })
			return float64(m.MagnitudeDB[i]), float64(m.HighDB[i] - m.LowDB[i])
		}
		var widths []float64
		var last wire.SurveyTrace
		b.until(t, "the second step", func(v wire.Survey) bool {
			if trace := b.s.Trace(); trace.Step == 1 && trace.HeardS > last.HeardS {
				if len(widths) == 0 && len(b.takes(t)) != 0 {
					t.Error("the trace comes after the take")
				}
				last = trace
				level, width := at(trace)
				widths = append(widths, width)
				// main arrives with 0.5 of its sound.
				if want := 20 * math.Log10(0.5); math.Abs(level-want) > max(width, 0.2) || !slices.Equal(trace.Playing, []string{"main"}) || trace.Microphones[0].Seat != 1 {
					t.Errorf("after %.1f s: %.2f dB, want %.2f; %v", trace.HeardS, level, want, trace.Playing)
				}
			}
			return v.Step == 2
		})
		if n := len(widths); n < 3 || widths[n-1] > 0.8*widths[0] {
			t.Errorf("the interval goes %.3f", widths)
		}
		if n := len(last.Microphones[0].FrequencyHz); n < 150 || n > 240 || last.Microphones[0].FrequencyHz[0] < 20 {
			t.Errorf("%d points", n)
		}
		b.until(t, "the end", isOver)
		if v := b.s.Trace(); v.Step != 0 {
			t.Errorf("after the end: step %d", v.Step)
		}
	})
}
