package levels

import (
	"math"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// rows are those of the log.
func (d *desk) rows(x *show.Show) (rows []show.LevelRow) {
	d.t.Helper()
	if err := x.EachLevel(2, 0, math.MaxInt64, func(r *show.LevelRow) { rows = append(rows, *r) }); err != nil {
		d.t.Fatal(err)
	}
	return rows
}

// The minutes of the log hold the energy that was played, all of it and once: with
// seconds that lie across the minute's border, a tone that comes and goes in the midst
// of one, samples that are missing for less than a second and for more, and what is
// left at the end.
func TestNoEnergyIsLostOrCountedTwiceAtTheMinutesBorders(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 120})
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	begun := d.clock.wall
	d.clock.pass(400 * time.Millisecond)
	var energy, ms [3]float64 // of each minute, by the row that a second is in
	at := 400.0               // ms
	row := 0.0                // of the row that runs, ms
	var held float64          // its energy
	end := func() {
		if row > 0 {
			m := int(math.Ceil(at/60_000)) - 1
			energy[m], ms[m] = energy[m]+held, ms[m]+row
		}
		row, held = 0, 0
	}
	play := func(seconds, dbfs float64) {
		d.play(seconds, sine(1000, dbfs))
		for range int(math.Round(seconds * 100)) {
			at, row, held = at+10, row+10, held+10*math.Pow(10, (dbfs+120)/10)
			if row == 1000 {
				end()
			}
		}
	}
	lose := func(seconds float64, frames int) {
		if seconds >= 1 { // no row lies on both sides of a hole
			end()
		}
		d.clock.pass(time.Duration(seconds * float64(time.Second)))
		d.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: uint64(frames)})
		at += 1000 * seconds
	}
	play(2.73, -50)
	lose(0.25, rate/4)
	play(3.3, -20)
	lose(52.3, 523*rate/10)
	play(0.47, -40)
	play(0.9, -10) // across the border, in the midst of a second
	play(3, -45)
	lose(58, 58*rate) // across the next one
	play(2.35, -30)
	d.logged(12)
	d.stop()
	end()

	x, err := shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	var got, covered [3]float64
	for _, r := range d.rows(x) {
		m := int((r.AtMs - begun.UnixMilli() - 1) / 60_000)
		got[m] += float64(r.DurationMs) * math.Pow(10, (r.LAeqDB+r.OffsetDB)/10)
		covered[m] += float64(r.DurationMs)
	}
	h, err := x.LevelHistory(show.LevelQuery{FromMs: begun.UnixMilli(), ToMs: begun.Add(3 * time.Minute).UnixMilli(), Points: 3})
	if err != nil {
		t.Fatal(err)
	}
	for m := range got {
		// The meter's filters take a moment to follow a step, and a row is stored to a
		// hundredth of a decibel.
		if off := 10 * math.Log10(got[m]/energy[m]); math.Abs(covered[m]-ms[m]) > 1 || !(math.Abs(off) < 0.03) {
			t.Errorf("minute %d: the rows have %.0f ms, want %.0f, and %+.3f dB of the energy", m, covered[m], ms[m], off)
		}
		drawn := 10 * math.Log10(energy[m]/ms[m])
		near(t, "the minute drawn", wire.Value(h.Microphones[0].LAeqDB[m]), drawn, 0.03)
		near(t, "what it covers", wire.Value(h.Microphones[0].CoveredS[m]), ms[m]/1000, 0.001)
	}
}

// A calibrator that is heard amid a minute holds for the rows that end from then on,
// that of the second it was heard in, too; the rows before keep what was in force. A
// minute of both counts each as the sound it was. When it is taken back, the one before
// holds again, from then on.
func TestACalibrationHoldsFromThenOn(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf})
	begun := d.clock.wall
	speak := func(x wire.Calibration, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	// The sound has 94 dB throughout; the gain is turned down by 10 dB amid it.
	d.play(10.5, sine(1000, -26))
	speak(d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94, Seconds: 5}, sine(1000, -26)))
	d.play(64.5, sine(1000, -26)) // up to 80 s
	d.play(0.5, sine(1000, -36))
	speak(d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94, Seconds: 5, Force: true}, sine(1000, -36)))
	d.play(14.2, sine(1000, -36)) // up to 99.7 s
	if _, err := d.UndoCalibration(t.Context(), 2, "c1"); err != nil {
		t.Fatal(err)
	}
	d.play(0.3, sine(1000, -26))
	d.play(20, sine(1000, -26)) // up to 120 s
	d.logged(120)

	x, err := shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	rows := d.rows(x)
	if len(rows) != 120 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, r := range rows {
		offset := math.NaN()
		switch second := i + 1; {
		case second >= 100:
			offset = 120
		case second >= 86: // the calibrator was heard until 85.5 s
			offset = 130
		case second >= 16: // until 15.5 s
			offset = 120
		}
		if got := r.OffsetDB; !(math.Abs(got-offset) <= 0.02) && !(math.IsNaN(got) && math.IsNaN(offset)) {
			t.Errorf("second %d: full scale is %g dB, want %g", i+1, got, offset)
		}
	}
	h, err := x.LevelHistory(show.LevelQuery{FromMs: begun.UnixMilli(), ToMs: begun.Add(2 * time.Minute).UnixMilli(), Points: 120})
	if err != nil {
		t.Fatal(err)
	}
	c := h.Microphones[0]
	if c.Unit != wire.UnitPascal || float64(c.CalibratedFromUnixS) != h.UnixS[15] {
		t.Errorf("%s from %g s on", c.Unit, float64(c.CalibratedFromUnixS)-h.UnixS[0])
	}
	want := func(i int) float64 { // what the second with index i reads
		switch {
		case i < 15:
			return -26
		case i >= 80 && i < 85:
			return 84 // nobody had said yet that the gain was turned
		case i == 99: // 0.7 s were 10 dB softer, and full scale was 10 dB more when they sounded
			return 10*math.Log10(0.7*math.Pow(10, -3.6)+0.3*math.Pow(10, -2.6)) + 120
		}
		return 94
	}
	for i := range 120 {
		near(t, "a second", wire.Value(c.LAeqDB[i]), want(i), 0.05)
	}
	minutes, err := x.LevelHistory(show.LevelQuery{FromMs: begun.UnixMilli(), ToMs: begun.Add(2 * time.Minute).UnixMilli(), Points: 2})
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i := 60; i < 120; i++ {
		sum += math.Pow(10, want(i)/10)
	}
	near(t, "the minute that became calibrated", wire.Value(minutes.Microphones[0].LAeqDB[0]), 94, 0.03)
	near(t, "what counts of it", wire.Value(minutes.Microphones[0].CoveredS[0]), 45, 0)
	near(t, "the minute of three calibrations", wire.Value(minutes.Microphones[0].LAeqDB[1]), 10*math.Log10(sum/60), 0.03)
	near(t, "what counts of that", wire.Value(minutes.Microphones[0].CoveredS[1]), 60, 0)
	kinds := 0
	for _, m := range h.Marks {
		if m.Kind == wire.MarkCalibration {
			kinds++
		}
	}
	if kinds != 3 {
		t.Errorf("%d marks of calibrations", kinds)
	}
}
