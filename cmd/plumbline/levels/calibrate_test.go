package levels

import (
	"errors"
	"math"
	"path/filepath"
	"testing"

	"plumbline/stream/wire"
)

// calibrate asks for a calibration and plays meanwhile.
func (d *desk) calibrate(r wire.CalibrationRequest, x func(int) float64) (wire.Calibration, error) {
	d.t.Helper()
	type answer struct {
		c   wire.Calibration
		err error
	}
	got := make(chan answer, 1)
	if err := r.Settle(); err != nil {
		return wire.Calibration{}, err
	}
	go func() {
		c, err := d.Calibrate(d.t.Context(), r, "c1")
		got <- answer{c, err}
	}()
	d.until("somebody listens", func() bool { d.mu.Lock(); defer d.mu.Unlock(); return len(d.captures) > 0 })
	d.play(r.Seconds, x)
	a := <-got
	return a.c, a.err
}

func TestCalibration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calibration.json")
	d := newDesk(t, Config{Calibrations: store(t, path)})
	refusals := map[string]struct {
		x    func(int) float64
		code string
	}{
		"silence":     {func(int) float64 { return 0 }, "calibrator"},
		"wrong tone":  {sine(440, -20), "calibrator"},
		"clipped":     {func(n int) float64 { return math.Max(-1, math.Min(1, 1.5*sine(1000, 0)(n))) }, "calibrator"},
		"unsteady":    {func(n int) float64 { return sine(1000, -20-12*math.Sin(float64(n)/9000))(n) }, "calibrator"},
		"impossible":  {sine(1000, -75), "wrong_level"},
		"hardly more": {sine(1000, -79), "wrong_level"},
	}
	for name, c := range refusals {
		_, err := d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94}, c.x)
		var mine *wire.Error
		if !errors.As(err, &mine) || mine.Code != c.code {
			t.Errorf("%s: %v", name, err)
		} else {
			t.Logf("%s: %s", name, mine.Text)
		}
	}
	if _, err := d.Calibrate(t.Context(), wire.CalibrationRequest{Microphone: 7, LevelDB: 94}, "c1"); err == nil {
		t.Error("a channel that is not measured")
	}
	if n := len(d.Calibrations().Calibrations); n != 0 {
		t.Fatalf("%d calibrations were kept", n)
	}

	c, err := d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94}, sine(1000, -26))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "offset", c.OffsetDB, 120, 0.02)
	near(t, "tone", c.ToneDBFS, -26, 0.02)
	near(t, "frequency", c.FrequencyHz, 1000, 0.5)
	d.play(2, sine(1000, -50))
	if m := d.Levels.Levels().Microphones[0]; m.Unit != wire.UnitPascal || m.CalibratedAt == "" {
		t.Errorf("%+v", m)
	} else {
		near(t, "LAF", m.LAFDB, 70, 0.1)
	}

	// The calibrator now stands at 114 dB, and nobody says so.
	_, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94}, sine(1000, -6))
	var mine *wire.Error
	if !errors.As(err, &mine) || mine.Code != "gain_changed" { // by which the page offers to insist
		t.Errorf("20 dB off: %v", err)
	}
	if c, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 114}, sine(1000, -6)); err != nil {
		t.Fatal(err)
	}
	near(t, "offset at 114 dB", c.OffsetDB, 120, 0.02)
	// The gain was turned.
	if _, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94}, sine(1000, -36)); !errors.As(err, &mine) || mine.Code != "gain_changed" {
		t.Errorf("10 dB off: %v", err)
	}
	if c, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94, Force: true}, sine(1000, -36)); err != nil {
		t.Fatal(err)
	}
	near(t, "offset with another gain", c.OffsetDB, 130, 0.02)
	if c.Earlier != 2 {
		t.Errorf("%d earlier ones", c.Earlier)
	}
	all, err := d.UndoCalibration(t.Context(), 2, "c1")
	if err != nil || len(all.Calibrations) != 1 {
		t.Fatal(all, err)
	}
	near(t, "offset after undo", all.Calibrations[0].OffsetDB, 120, 0.02)
	// Another run finds it.
	again := newDesk(t, Config{Calibrations: store(t, path)})
	again.play(1, sine(1000, -50))
	near(t, "LAeq in the next run", again.Levels.Levels().Microphones[0].LAeq1sDB, 70, 0.05)
}
