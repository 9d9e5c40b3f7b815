package levels

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/capture/leak"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

const rate = 48000

// clock is set by the tests: it follows what the desk has played.
type clock struct {
	mu     sync.Mutex
	wall   time.Time
	steady time.Duration
}

func (c *clock) now() (time.Time, time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.wall, c.steady
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall, c.steady = c.wall.Add(d), c.steady+d
}

// set is what somebody does to the computer's clock.
func (c *clock) set(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall = c.wall.Add(by)
}

// desk runs Levels for a test and plays to it. Its channel 1 is a reference.
type desk struct {
	*Levels
	t        *testing.T
	clock    *clock
	channels int
	played   int // frames
	crossed  chan wire.Event
	stop     func()
}

func newDesk(t *testing.T, cfg Config) *desk {
	t.Helper()
	d := &desk{t: t, clock: &clock{wall: time.Date(2030, 5, 4, 20, 0, 0, 0, time.UTC)}, crossed: make(chan wire.Event, 100)}
	cfg.SampleRateHz, cfg.Device = rate, "device test"
	if cfg.Channels == 0 {
		cfg.Channels = 2
	}
	if cfg.Microphones == nil {
		cfg.Microphones = []int{2}
	}
	if cfg.Calibrations == nil {
		cfg.Calibrations = store(t, "")
	}
	cfg.Now = d.clock.now
	cfg.Crossed = func(e wire.Event, _ uint64) { d.crossed <- e }
	var err error
	if d.Levels, err = New(cfg); err != nil {
		t.Fatal(err)
	}
	d.channels = cfg.Channels
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); d.Run(ctx) }()
	d.stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(d.stop)
	return d
}

func store(t *testing.T, path string) *calibration.Store {
	t.Helper()
	s, err := calibration.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newShelf(t *testing.T) *show.Shelf {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	if _, err := shelf.New("hall"); err != nil {
		t.Fatal(err)
	}
	return shelf
}

// play sends the same to all channels, second by second, and lets the clock
// follow once each was measured.
func (d *desk) play(seconds float64, x func(frame int) float64) {
	d.t.Helper()
	for left := int(seconds * rate); left > 0; {
		n := min(left, rate/10)
		block := make([]float32, 0, n*d.channels)
		for i := range n {
			v := float32(x(d.played + i))
			for range d.channels {
				block = append(block, v)
			}
		}
		d.clock.pass(time.Duration(n) * time.Second / rate)
		if !d.Ring().Write(block) {
			d.t.Fatal("the ring is full")
		}
		d.played += n
		left -= n
		d.until("the meters have all", func() bool { return d.Ring().Len() == 0 })
	}
	// The block that was read last is being measured.
	d.mu.Lock()
	defer d.mu.Unlock()
}

func (d *desk) until(what string, ok func() bool) {
	d.t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(20 * time.Second); !ok(); <-tick.C {
		if time.Now().After(end) {
			d.t.Fatalf("never: %s", what)
		}
	}
}

// logged waits until so many rows are on the disk.
func (d *desk) logged(rows uint64) {
	d.t.Helper()
	d.until("rows are written", func() bool { return d.log.now().Rows >= rows })
}

// sine is a tone of a level re full scale (AES17: a full-scale sine wave is 0 dB).
func sine(hz, dbfs float64) func(int) float64 {
	a := math.Pow(10, dbfs/20)
	return func(n int) float64 { return a * math.Sin(2*math.Pi*hz*float64(n)/rate) }
}

func near(t *testing.T, what string, got wire.Value, want, within float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= within) {
		t.Errorf("%s is %.3f, want %.3f", what, float64(got), want)
	}
}

// A steady 1 kHz tone reads the same with every weighting (IEC 61672-1:2013,
// 5.5: 0 dB at 1 kHz), and its peak 3.01 dB more.
func TestAToneReadsWhatItIs(t *testing.T) {
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 3, OffsetDB: 120})
	d := newDesk(t, Config{Channels: 3, Microphones: []int{2, 3}, Calibrations: cal})
	d.play(6, sine(1000, -20))
	v := d.Levels.Levels()
	if len(v.Microphones) != 2 || v.Microphones[0].Unit != wire.UnitFullScale || v.Microphones[1].Unit != wire.UnitPascal {
		t.Fatalf("%+v", v.Microphones)
	}
	for i, want := range []float64{-20, 100} {
		m := v.Microphones[i]
		near(t, "LAF", m.LAFDB, want, 0.05)
		near(t, "LAeq,1s", m.LAeq1sDB, want, 0.02)
		near(t, "LCeq", m.LCeqDB, want, 0.05)
		near(t, "LAE", m.LAEDB, want+10*math.Log10(float64(m.MeasuredS)), 0.05)
		near(t, "LCpeak", m.LCPeak1sDB, want+3.01, 0.1)
		near(t, "L50", m.L50DB, want, 0.1)
		near(t, "LAeq,1min", m.Sliding[0].LAeqDB, want, 0.05)
		near(t, "covered", m.Sliding[0].CoveredS, 6, 0)
		for k, hz := range v.BandNominalHz {
			if hz == 1000 {
				near(t, "band of 1 kHz", wire.Value(m.BandDB[k]), want, 0.05)
			}
		}
	}
	if err := d.ResetLevels(t.Context(), "c1"); err != nil {
		t.Fatal(err)
	}
	d.play(2, sine(1000, -40))
	near(t, "LAeq after the reset", d.Levels.Levels().Microphones[0].LAeqDB, -40, 0.05)
	near(t, "LAFmax after the reset", d.Levels.Levels().Microphones[0].LAFMaxDB, -40, 0.1)
}

func TestARowASecond(t *testing.T) {
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf})
	d.play(10.5, sine(1000, -20))
	d.clock.set(-30 * time.Minute)
	d.play(2, sine(1000, -20))
	d.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: 4800})
	d.play(2, sine(1000, -20))
	d.logged(14)
	d.stop() // and the half second that is left
	x, err := shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Date(2030, 5, 4, 20, 0, 0, 0, time.UTC)
	h, err := x.LevelHistory(show.LevelQuery{FromMs: begun.Add(-time.Hour).UnixMilli(), ToMs: begun.Add(time.Minute).UnixMilli(), Points: 5000})
	if err != nil {
		t.Fatal(err)
	}
	rows, covered := 0, 0.0
	for i, s := range h.Microphones[0].CoveredS {
		if s == s {
			rows++
			covered += float64(s)
			near(t, "LAeq", wire.Value(h.Microphones[0].LAeqDB[i]), -20, 0.05)
		}
	}
	if rows != 15 || math.Abs(covered-14.5) > 0.001 {
		t.Errorf("%d rows of %g s", rows, covered)
	}
	kinds := map[string]string{}
	for _, m := range h.Marks {
		kinds[m.Kind] = m.Text
	}
	if len(h.Marks) != 3 || kinds[wire.MarkStart] == "" || kinds[wire.MarkGap] != "100 ms of samples are missing here." ||
		kinds[wire.MarkClock] != "The computer's clock was set back by 1800 s: times before and after this do not compare." {
		t.Errorf("%+v", h.Marks)
	}
}

// slowBook is a show on a disk that is full.
type slowBook struct {
	mu   sync.Mutex
	err  error
	rows []show.LevelRow
	told []wire.LevelMark
}

func (b *slowBook) AddLevels(rows []show.LevelRow, marks []wire.LevelMark) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return b.err
	}
	b.rows, b.told = append(b.rows, rows...), append(b.told, marks...)
	return nil
}

func TestAFullDiskIsSaidAndTheRowsWait(t *testing.T) {
	d := newDesk(t, Config{})
	b := &slowBook{err: &wire.Error{Code: "disk_full", Text: "the disk is full: free some space and try again"}}
	l := newLog(func() (book, error) { return b, nil }, func() {}, func() {}, d.cfg.Logger)
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() { defer close(done); l.run(stop) }()
	for n := range waitMost + 100 {
		l.add([]show.LevelRow{{Microphone: 2, AtMs: int64(n)}})
	}
	d.until("the log says so", func() bool {
		s := l.now()
		return s.State == wire.LogFailed && s.Waiting == waitMost && s.Lost == 100 &&
			s.Text == "Levels are not being logged: the disk is full: free some space and try again. What the log has stays; the last 3600 s wait."
	})
	b.mu.Lock()
	b.err = nil
	b.mu.Unlock()
	l.add([]show.LevelRow{{Microphone: 2, AtMs: waitMost + 100}})
	d.until("all is written", func() bool { s := l.now(); return s.State == wire.LogWriting && s.Waiting == 0 })
	close(stop)
	<-done
	// What is not there is told of, and it is the oldest.
	n, lost := len(b.rows), int(l.now().Lost)
	if n+lost != waitMost+101 || lost < 100 || b.rows[0].AtMs != int64(lost) || b.rows[n-1].AtMs != waitMost+100 {
		t.Errorf("%d rows, from %d to %d, and %d lost", n, b.rows[0].AtMs, b.rows[n-1].AtMs, lost)
	}
	if want := fmt.Sprintf("%d rows before this could not be stored.", lost); len(b.told) != 2 || b.told[0].Kind != wire.MarkStart || b.told[1].Text != want {
		t.Errorf("%+v, want %q", b.told, want)
	}
}

func TestMicrophonesComeAndGo(t *testing.T) {
	d := newDesk(t, Config{Channels: 12, Microphones: []int{2, 3}})
	d.play(1, sine(1000, -20))
	d.Measure([]int{5, 3})
	d.play(1, sine(1000, -20))
	v := d.Levels.Levels()
	if len(v.Microphones) != 2 || v.Microphones[0].Microphone != 3 || v.Microphones[1].Microphone != 5 {
		t.Fatalf("%+v", v.Microphones)
	}
	near(t, "microphone 3 was measured", v.Microphones[0].MeasuredS, 2, 0.01)
	near(t, "microphone 5 was measured", v.Microphones[1].MeasuredS, 1, 0.01)
	d.Measure([]int{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12})
	d.play(1, sine(1000, -20))
	if v := d.Levels.Levels(); len(v.Microphones) != 12 || len(v.BandMidHz) != 0 || len(v.Microphones[0].BandDB) != 0 {
		t.Errorf("%d microphones, %d bands", len(v.Microphones), len(v.BandMidHz))
	}
}

// The meters leave the disk to the log: what it knows of a microphone that has
// just been chosen is in force once the log had its turn.
func TestMetersDoNotWaitForTheDisk(t *testing.T) {
	cal := store(t, filepath.Join(t.TempDir(), "calibration.json"))
	if err := cal.Add(calibration.Entry{Device: "device test", Channel: 3, OffsetDB: 120}); err != nil {
		t.Fatal(err)
	}
	l, err := New(Config{SampleRateHz: rate, Channels: 3, Device: "device test", Microphones: []int{2}, Calibrations: cal})
	if err != nil {
		t.Fatal(err)
	}
	l.Measure([]int{3})
	l.Ring().Write(make([]float32, rate/5*3))
	for l.read() {
	}
	if m := l.Levels().Microphones; len(m) != 1 || m[0].Microphone != 3 {
		t.Fatalf("%+v", m)
	}
	if in := l.inputs[0]; !math.IsNaN(in.offset) {
		t.Error("the meters read the calibrations themselves")
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); l.Run(ctx) }()
	(&desk{t: t}).until("the calibration is in force", func() bool { return l.Levels().Microphones[0].Unit == wire.UnitPascal })
	cancel()
	<-done
}

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
	open("next.show", "who")
	choose(&none)
	open("hall.show", "who")
	open("next.show", "")
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
	if !errors.As(err, &mine) || mine.Code != "wrong_level" {
		t.Errorf("20 dB off: %v", err)
	}
	if c, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 114}, sine(1000, -6)); err != nil {
		t.Fatal(err)
	}
	near(t, "offset at 114 dB", c.OffsetDB, 120, 0.02)
	// The gain was turned.
	if _, err = d.calibrate(wire.CalibrationRequest{Microphone: 2, LevelDB: 94}, sine(1000, -36)); err == nil {
		t.Error("10 dB off was taken")
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

// BenchmarkMeasure is a second of audio through ring, meters and publication.
func BenchmarkMeasure(b *testing.B) {
	for name, microphones := range map[string]int{"1 microphone": 1, "8 microphones": 8, "32 microphones": 32} {
		b.Run(name, func(b *testing.B) {
			cal, err := calibration.Open("")
			if err != nil {
				b.Fatal(err)
			}
			channels := make([]int, microphones)
			for i := range channels {
				channels[i] = i + 2
			}
			l, err := New(Config{SampleRateHz: rate, Channels: microphones + 1, Device: "d", Microphones: channels, Calibrations: cal})
			if err != nil {
				b.Fatal(err)
			}
			block := make([]float32, rate/20*(microphones+1))
			for i := range block {
				block[i] = float32(math.Sin(float64(i*i%10007))) * 0.1
			}
			for b.Loop() {
				for range 20 {
					l.Ring().Write(block)
					for l.read() {
					}
				}
			}
		})
	}
}
