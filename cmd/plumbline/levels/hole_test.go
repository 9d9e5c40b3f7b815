package levels

import (
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// The source stands still for half a minute amid a second: a mark where that
// begins, no row across it, nothing of it in the sliding levels, and half a
// minute of the budget's time that says nothing, now and when it is reckoned
// anew from the log.
func TestAHoleInTheSound(t *testing.T) {
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 120})
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	profile := "who"
	if _, err := d.ChangeLimits(t.Context(), wire.LimitsPatch{Profile: &profile}, "c1"); err != nil {
		t.Fatal(err)
	}
	begun := d.clock.wall
	d.play(5.4, sine(1000, -20))
	d.clock.pass(30 * time.Second)
	d.Ring().Mark(capture.Gap{Cause: capture.Stall, LostFrames: 30 * rate})
	d.play(6, sine(1000, -20))
	d.logged(12)
	d.until("the last second is published, too", func() bool { return d.Levels.Levels().Microphones[0].Limit.ElapsedS > 41.5 })

	m := d.Levels.Levels().Microphones[0]
	near(t, "LAeq,1min", m.Sliding[0].LAeqDB, 100, 0.05)
	near(t, "covered", m.Sliding[0].CoveredS, 11, 0)
	near(t, "the budget's time", m.Limit.ElapsedS, 6+30+6, 1)
	near(t, "the budget's level", m.Limit.LevelDB, 100+10*math.Log10(12./42), 0.2)
	live := *m.Limit
	d.rebudget(true)
	again := d.Levels.Levels().Microphones[0].Limit
	near(t, "the budget's time from the log", again.ElapsedS, float64(live.ElapsedS), 1)

	x, err := shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	var rows []show.LevelRow
	if err := x.EachLevel(2, 0, math.MaxInt64, func(r *show.LevelRow) { rows = append(rows, *r) }); err != nil {
		t.Fatal(err)
	}
	if len(rows) != 12 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, r := range rows {
		end, duration := begun.Add(time.Duration(i+1)*time.Second), int64(1000)
		switch {
		case i == 5:
			end, duration = begun.Add(5400*time.Millisecond), 400
		case i > 5:
			end = begun.Add(35400*time.Millisecond + time.Duration(i-5)*time.Second)
		}
		if off := r.AtMs - end.UnixMilli(); r.DurationMs != duration || off < -1 || off > 1 {
			t.Errorf("row %d: %d ms up to %v, want %d up to %v", i, r.DurationMs, time.UnixMilli(r.AtMs).UTC(), duration, end)
		}
	}
	h, err := x.LevelHistory(show.LevelQuery{FromMs: begun.UnixMilli(), ToMs: begun.Add(time.Minute).UnixMilli(), Points: 60})
	if err != nil {
		t.Fatal(err)
	}
	empty := 0
	for i := range h.UnixS {
		if s := h.Microphones[0].CoveredS[i]; s != s && i < 41 {
			empty++
		}
	}
	if empty != 29 && empty != 30 {
		t.Errorf("%d seconds are drawn empty, want those of the hole", empty)
	}
	gaps := 0
	for _, mark := range h.Marks {
		if mark.Kind != wire.MarkGap {
			continue
		}
		gaps++
		if off := mark.UnixS - float64(begun.UnixMilli())/1000 - 5.4; mark.Text != "30 s of sound are missing here." || math.Abs(off) > 0.01 {
			t.Errorf("%+v, %g s off", mark, off)
		}
	}
	if gaps != 1 {
		t.Errorf("%d marks: %+v", gaps, h.Marks)
	}
}

// The computer slept, and the clock that nobody sets with it: that is not told
// as if somebody had set the other one.
func TestASleepIsNotCalledASetting(t *testing.T) {
	if text := clockSentence(time.Hour); !strings.Contains(text, "or the computer slept") || !strings.Contains(text, "3600 s") {
		t.Error(text)
	}
}
