package levels

import (
	"context"
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
		// What was read last is being measured, and takes its time from the clock.
		d.mu.Lock()
		d.mu.Unlock() //lint:ignore SA2001 only to wait
	}
}

func (d *desk) until(what string, ok func() bool) {
	d.t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(3 * time.Minute); !ok(); <-tick.C {
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
