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

// bench is Levels whose two goroutines are the test's own: a sound is measured when
// it has been played, and in the log when it has been stored.
type bench struct {
	*Levels
	t      *testing.T
	clock  *clock
	played int // frames
	shelf  *show.Shelf
	begun  time.Time // at the first of a minute
}

func newBench(t *testing.T, cal *calibration.Store) *bench {
	t.Helper()
	b := &bench{t: t, clock: &clock{wall: time.Date(2030, 5, 4, 20, 0, 0, 0, time.UTC)}, shelf: newShelf(t)}
	b.begun = b.clock.wall
	var err error
	b.Levels, err = New(Config{
		SampleRateHz: rate, Channels: 2, Device: "device test", Microphones: []int{2}, Calibrations: cal, Shelf: b.shelf, Now: b.clock.now,
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// play lets a tone of 1 kHz sound for some time.
func (b *bench) play(seconds, dbfs float64) {
	b.t.Helper()
	x := sine(1000, dbfs)
	for left := int(seconds*rate + 0.5); left > 0; {
		n := min(left, rate/10+1) // seconds end amid a block
		block := make([]float32, 2*n)
		for i := range n {
			block[2*i+1] = float32(x(b.played + i))
		}
		b.clock.pass(time.Duration(n) * time.Second / rate)
		if !b.Ring().Write(block) {
			b.t.Fatal("the ring is full")
		}
		for b.read() {
		}
		b.played += n
		left -= n
	}
}

// lose lets time pass of which nothing is heard.
func (b *bench) lose(d time.Duration) {
	b.clock.pass(d)
	b.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: uint64(d.Seconds()*rate + 0.5)})
}

func (b *bench) calibrateAt(offsetDB float64) {
	b.t.Helper()
	if err := b.cfg.Calibrations.Add(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: offsetDB, At: b.clock.wall}); err != nil {
		b.t.Fatal(err)
	}
	if err := b.recalibrate(); err != nil {
		b.t.Fatal(err)
	}
}

// rows are all seconds of the log.
func (b *bench) rows() (rows []show.LevelRow) {
	b.t.Helper()
	b.log.write()
	x, err := b.shelf.Current()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := x.EachLevel(2, 0, math.MaxInt64, func(r *show.LevelRow) { rows = append(rows, *r) }); err != nil {
		b.t.Fatal(err)
	}
	return rows
}

// minutes are the first n minutes of the log.
func (b *bench) minutes(n int) (laeq, covered []float32) {
	b.t.Helper()
	b.log.write()
	x, err := b.shelf.Current()
	if err != nil {
		b.t.Fatal(err)
	}
	h, err := x.LevelHistory(show.LevelQuery{FromMs: b.begun.UnixMilli(), ToMs: b.begun.Add(3 * time.Hour).UnixMilli(), Points: 180})
	if err != nil {
		b.t.Fatal(err)
	}
	if h.StepS != 60 {
		b.t.Fatalf("points of %g s", h.StepS)
	}
	return h.Microphones[0].LAeqDB[:n], h.Microphones[0].CoveredS[:n]
}

// mean is the level of some rows, weighted by time.
func mean(rows []show.LevelRow) float64 {
	sum, ms := 0.0, 0.0
	for _, r := range rows {
		sum += math.Pow(10, r.LAeqDB/10) * float64(r.DurationMs)
		ms += float64(r.DurationMs)
	}
	return 10 * math.Log10(sum/ms)
}

// The second in front of a minute's end, and the one behind it, are 30 dB louder: each
// is in the minute that it belongs to, in the log and in the sliding level, and in no
// other. A hole over a border leaves both minutes what was heard in them, and so does
// a short gap, behind which seconds and minutes do not begin together.
func TestEachSampleIsInOneMinute(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	b := newBench(t, store(t, ""))
	slide := func() (float64, float64) {
		b.mu.Lock()
		defer b.mu.Unlock()
		return b.inputs[0].meter.Sliding(1)
	}
	b.play(59, -40)
	b.play(1, -10) // up to 20:01:00
	atMinute, _ := slide()
	b.play(60, -40)
	atQuiet, _ := slide()
	b.play(1, -10) // from 20:02:00
	b.play(29.4, -40)
	b.lose(45 * time.Second) // up to 20:03:15.4
	b.play(20, -40)
	if level, covered := slide(); covered != 20 || math.Abs(level+40) > 0.02 {
		t.Errorf("20 s behind the hole: %.2f dB over %g s, want -40 over 20", level, covered)
	}
	b.lose(100 * time.Millisecond)
	b.play(40, -40) // up to 20:04:15.5

	rows := b.rows()
	if len(rows) != 60+60+31+60 {
		t.Fatalf("%d rows", len(rows))
	}
	heard, total := int64(0), int64(0)
	for i, r := range rows {
		want := int64(1000)
		if i == 150 { // up to the hole
			want = 400
		}
		if heard += r.DurationMs; r.DurationMs != want {
			t.Errorf("row %d is %d ms long, want %d", i, r.DurationMs, want)
		}
		lost := int64(0)
		if i > 150 {
			lost += 45_000
		}
		if i > 170 {
			lost += 100
		}
		if sample := (heard + lost) * rate / 1000; int64(r.Sample) != sample {
			t.Errorf("row %d ends at sample %d, want %d", i, r.Sample, sample)
		}
		if at := b.begun.UnixMilli() + heard + lost; math.Abs(float64(r.AtMs-at)) > 1 {
			t.Errorf("row %d ends at %d ms, want %d", i, r.AtMs, at)
		}
	}
	// Not a sample more nor less than were played is in a row.
	all := b.Levels.Levels().Microphones[0]
	if total = int64(float64(all.MeasuredS)*1000 + 0.5); heard != total || total != int64(b.played)*1000/rate {
		t.Errorf("rows of %d ms, %d ms measured, %d ms played", heard, total, b.played*1000/rate)
	}
	near(t, "the level of all", all.LAeqDB, mean(rows), 0.01)
	loud, quiet := 10*math.Log10((59*1e-4+0.1)/60), -40.0
	near(t, "the sliding minute at 20:01", wire.Value(atMinute), loud, 0.01)
	near(t, "the sliding minute at 20:02", wire.Value(atQuiet), quiet, 0.05) // the weighting rings on
	near(t, "the rows of it", wire.Value(mean(rows[60:120])), quiet, 0.05)

	level, covered := b.minutes(6)
	for i, want := range []struct{ level, covered float64 }{
		{loud, 60}, {quiet, 60},
		{10 * math.Log10((29.4*1e-4+0.1)/30.4), 30.4},
		{quiet, 44}, // from 20:03:15.4: those that end up to 20:03:59.5
		{quiet, 16}, // up to 20:04:15.5
	} {
		near(t, "the log's minute", wire.Value(level[i]), want.level, 0.06)
		near(t, "what it covers", wire.Value(covered[i]), want.covered, 1e-4)
	}
	if c := float64(covered[5]); !math.IsNaN(c) {
		t.Errorf("%g s in a minute that nobody has heard", c)
	}
}

// A microphone is calibrated amid a minute and a second, then its gain is lowered by
// 10 dB, and it is calibrated anew. A second is what the calibration in force at its
// end says; what was measured stays the sound it was, in the log and in the levels
// that are shown, though full scale is another level now.
func TestCalibrationAmidAMinute(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	b := newBench(t, store(t, ""))
	shown := func() wire.SoundLevel {
		b.mu.Lock()
		defer b.mu.Unlock()
		return b.reading(b.inputs[0])
	}
	b.play(20.5, -20)
	if m := shown(); m.Unit != wire.UnitFullScale {
		t.Errorf("%s before any calibration", m.Unit)
	}
	b.calibrateAt(120) // the sound of 100 dB reads -20 dB re full scale
	// It was the same microphone and gain before: what was heard is known now.
	near(t, "LAeq,1min", shown().Sliding[0].LAeqDB, 100, 0.05)
	b.play(14.5, -20)
	b.play(5.5, -30) // nobody has said so yet: that is 90 dB
	b.calibrateAt(130)
	b.play(19.5, -30)
	m := shown()
	want := 10 * math.Log10((55*1e10+5*1e9)/60)
	near(t, "LAeq,1min", m.Sliding[0].LAeqDB, want, 0.05)
	near(t, "LAeq", m.LAeqDB, want, 0.05)
	near(t, "LCeq", m.LCeqDB, want, 0.05)
	near(t, "LAFmax", m.LAFMaxDB, 100, 0.1)
	near(t, "LCpeak", m.LCPeakDB, 103, 0.5) // the tone's beginning rings
	near(t, "L10", m.L10DB, 100, 0.1)
	near(t, "LAeq,1s", m.LAeq1sDB, 100, 0.05)
	for k, hz := range b.bands {
		if hz.NominalHz == 1000 {
			b.mu.Lock()
			near(t, "Leq of 1 kHz", wire.Value(b.inputs[0].total.BandLeqDB[k]+130), want, 0.1)
			b.mu.Unlock()
		}
	}

	rows := b.rows()
	if len(rows) != 60 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, r := range rows {
		offset, level := 130.0, -30.0
		switch {
		case i < 20:
			offset, level = math.NaN(), -20
		case i < 35:
			offset, level = 120, -20
		case i < 40:
			offset, level = 120, -30
		}
		if !(r.OffsetDB == offset || math.IsNaN(offset) && math.IsNaN(r.OffsetDB)) || math.Abs(r.LAeqDB-level) > 0.05 {
			t.Errorf("row %d: %.2f dB with an offset of %g dB, want %g with %g", i, r.LAeqDB, r.OffsetDB, level, offset)
		}
	}
	b.play(1, -30) // so that the minute is summed up
	level, covered := b.minutes(1)
	near(t, "the log's minute", wire.Value(level[0]), 10*math.Log10((35*1e10+5*1e9)/40), 0.05)
	near(t, "of which is calibrated", wire.Value(covered[0]), 40, 0)

	// Taken back: the sound that was 100 dB stays that, and now reads 10 dB less.
	if _, err := b.UndoCalibration(t.Context(), 2, "c1"); err != nil {
		t.Fatal(err)
	}
	near(t, "LAFmax after it was taken back", shown().LAFMaxDB, 100, 0.1)
	near(t, "LAF after it was taken back", shown().LAFDB, 90, 0.1)
}
