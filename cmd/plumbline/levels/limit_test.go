package levels

import (
	"testing"
	"time"

	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/wire"
)

func TestALimitIsCrossedAndRemembered(t *testing.T) {
	shelf := newShelf(t)
	cal := store(t, "")
	d := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	who, plus := "who", 3.0
	if _, err := d.ChangeLimits(t.Context(), wire.LimitsPatch{Profile: &who, CorrectionDB: &plus}, "c1"); err != nil {
		t.Fatal(err)
	}
	d.play(1, sine(1000, -20))
	if l := d.Levels.Levels().Microphones[0].Limit; l.State != wire.LimitUnknown || l.Text != "Microphone 2 is not calibrated, so its level cannot be held against WHO safe listening venues: calibrate it." {
		t.Errorf("%+v", l)
	}
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 120})
	if err := d.recalibrate(); err != nil {
		t.Fatal(err)
	}
	// 117 dB and 3 dB for the loudest place: in 9 s, the energy of a quarter of an
	// hour at 100 dB (900 s / 10^((120-100)/10) = 9 s).
	d.play(8, sine(1000, -3))
	l := d.Levels.Levels().Microphones[0].Limit
	if l.State != wire.LimitNear || l.Mark != wire.Attention {
		t.Errorf("after 8 s: %+v", l)
	}
	near(t, "used", l.Used, 8./9, 0.01)
	near(t, "crossed in", l.CrossedInS, 2, 1)
	near(t, "level", l.LevelDB, 120, 0.1)
	if len(d.crossed) != 0 {
		t.Error("crossed too early")
	}
	d.play(3, sine(1000, -3))
	if l := d.Levels.Levels().Microphones[0].Limit; l.State != wire.LimitCrossed || l.Mark != wire.Act || float64(l.CrossedInS) != 0 {
		t.Errorf("after 11 s: %+v", l)
	}
	if len(d.crossed) != 1 {
		t.Fatalf("crossed %d times", len(d.crossed))
	}
	if e := <-d.crossed; e.Kind != "limit crossed" || e.Microphone != 2 || e.Mark != wire.Act {
		t.Errorf("%+v", e)
	}
	d.logged(12)
	d.stop()

	// The next run goes on where this one ended.
	again := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	again.clock.pass(30 * time.Second)
	again.rebudget(true)
	if v := again.Limits(); v.Profile != "who" || v.CorrectionDB != 3 || v.Caution == "" {
		t.Errorf("%+v", v)
	}
	again.play(1, sine(1000, -60))
	if l := again.Levels.Levels().Microphones[0].Limit; l.State != wire.LimitCrossed {
		t.Errorf("the next run: %+v", l)
	}
	if len(again.crossed) != 0 {
		t.Error("told again of a limit that had been crossed before")
	}
}

// A burst of 20 ms whose peak is over the limit, while the level is far from it,
// is told of once, also when the budget is reckoned anew from the log.
func TestAPeakIsToldOfOnce(t *testing.T) {
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 140})
	d := newDesk(t, Config{Shelf: newShelf(t), Calibrations: cal})
	din := "din15905-5" // LCpeak 135 dB, LAeq 99 dB over half an hour
	if _, err := d.ChangeLimits(t.Context(), wire.LimitsPatch{Profile: &din}, "c1"); err != nil {
		t.Fatal(err)
	}
	tone := sine(1000, -3)
	d.play(2, func(n int) float64 {
		if n < rate/50 {
			return tone(n)
		}
		return 0
	})
	if l := d.Levels.Levels().Microphones[0].Limit; !l.PeakCrossed || float64(l.Used) > 0.1 {
		t.Errorf("%+v", l)
	}
	d.logged(2)
	d.rebudget(true)
	d.play(1, func(int) float64 { return 0 })
	if l := d.Levels.Levels().Microphones[0].Limit; !l.PeakCrossed {
		t.Errorf("from the log: %+v", l)
	}
	if n := len(d.crossed); n != 1 {
		t.Errorf("told of %d times", n)
	}
}

// A limit of LCeq counts the C-weighted level, now and from the log: 63 Hz lose
// 0.8 dB by it, and 26.2 dB by A (IEC 61672-1:2013, Table 3).
func TestALimitOfLCeq(t *testing.T) {
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 130})
	d := newDesk(t, Config{Shelf: newShelf(t), Calibrations: cal})
	french := "france-c"
	if _, err := d.ChangeLimits(t.Context(), wire.LimitsPatch{Profile: &french}, "c1"); err != nil {
		t.Fatal(err)
	}
	d.play(1, sine(63, -20)) // the filters' start
	if err := d.ResetLevels(t.Context(), "c1"); err != nil {
		t.Fatal(err)
	}
	d.play(3, sine(63, -20))
	near(t, "LCeq", d.Levels.Levels().Microphones[0].Limit.LevelDB, 109.2, 0.2)
	d.logged(4)
	d.rebudget(true)
	d.mu.Lock()
	s := d.inputs[0].limit.Status()
	d.mu.Unlock()
	near(t, "LCeq from the log", wire.Value(s.LevelDB), 109.2, 0.2)
}

// A show in which somebody chose to follow no limit ends the one of the show
// before; one in which nobody chose leaves it.
func TestEachShowHasItsLimit(t *testing.T) {
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf})
	who, none := "who", ""
	choose := func(profile *string) {
		t.Helper()
		if _, err := d.ChangeLimits(t.Context(), wire.LimitsPatch{Profile: profile}, "c1"); err != nil {
			t.Fatal(err)
		}
	}
	open := func(file, want string) {
		t.Helper()
		if _, err := shelf.Open(file); err != nil {
			t.Fatal(err)
		}
		d.restoreLimit() // as the log does with the first row
		if got := d.Limits().Profile; got != want {
			t.Errorf("%s: %q is followed, want %q", file, got, want)
		}
	}
	choose(&who)
	if _, err := shelf.New("next"); err != nil {
		t.Fatal(err)
	}
	open("next.plumbline", "who")
	choose(&none)
	open("hall.plumbline", "who")
	open("next.plumbline", "")
}

func TestUnknownLimitsAreRefused(t *testing.T) {
	d := newDesk(t, Config{})
	bad, far := "loud", 60.0
	who := "who"
	for _, p := range []wire.LimitsPatch{{Profile: &bad}, {Profile: &who, CorrectionDB: &far}, {CorrectionDB: &far}} {
		if _, err := d.ChangeLimits(t.Context(), p, "c1"); err == nil {
			t.Errorf("%+v was taken", p)
		}
	}
	if v := d.Limits(); v.Profile != "" || v.CorrectionDB != 0 || len(v.Profiles) < 8 {
		t.Errorf("%+v", v)
	}
}
