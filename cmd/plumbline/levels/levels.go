// Package levels is the daemon's sound level meter: it measures every chosen
// microphone, publishes what it reads five times a second, logs a row a second
// in the open show, follows a limit and listens to calibrators.
//
//	pump ─► Ring ─► meters ─┬─► Publish
//	                        ├─► rows ─► log ─► show
//	                        └─► limits
//
// Two goroutines, both within Run: one measures, one writes to the disk. The
// pump waits for neither; the meters do not wait for the disk.
package levels

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/analyze/exposure"
	"plumbline/analyze/level"
	"plumbline/capture"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	// ringS is how much audio waits for meters that are late, seconds.
	ringS = 2
	// bandsUpTo is with how many microphones the bands are measured too.
	bandsUpTo = 8
	// How often levels are published with few microphones, and with many.
	publishHz, publishManyHz = 5, 2
	// jump is by how much wall clock and monotonic clock may part in a second.
	jump = time.Second
)

// Config of Levels.
type Config struct {
	SampleRateHz int
	Channels     int
	Device       string // whose calibrations are used
	Microphones  []int  // channels, from 1
	Calibrations *calibration.Store
	Shelf        *show.Shelf // nil: no log, and a choice of limit is forgotten
	// Publish is called with every reading, Crossed when a limit is crossed at
	// a sample index: on several goroutines, one at a time. They must not wait.
	Publish func(wire.SoundLevels)
	Crossed func(e wire.Event, sample uint64)
	Logger  *slog.Logger
	// Now is the wall clock, and a clock that nobody sets; nil: the computer's.
	Now func() (wall time.Time, steady time.Duration)
}

// Levels measures. It is a stream.LevelOperator.
type Levels struct {
	cfg       Config
	ring      *capture.Ring
	log       *log
	wanted    atomic.Pointer[[]int]
	published atomic.Pointer[wire.SoundLevels]

	choosing sync.Mutex // held while limits are changed, which waits for the disk
	mu       sync.Mutex // held to measure a block, and to change something
	inputs   []*input   // by channel
	captures []*recording
	limit    limit
	own      []wire.LimitRequest // beside the published ones; replaced, not changed
	resetMs  int64               // wall clock of the last reset
	bands    []level.Band        // nil: not measured
	samples  []float32           // interleaved, as read from the ring
	second   int                 // frames of the second that runs
	sample   uint64              // index behind the newest frame
	shown    int                 // frames since the last publication
	wall     time.Time           // at the last row
	steady   time.Duration
	gaps     gapCount
}

// input is a microphone.
type input struct {
	channel int
	meter   *level.Meter
	offset  float64 // of the calibration; NaN: none
	at      string
	last    level.Reading // of the last whole second
	total   level.Reading // since the reset
	limit   *exposure.Tracker
	crossed bool
	block   []float64

	// recent are the last rows, of rows in all: what comes while a budget is reckoned anew
	// from the log.
	recent []show.LevelRow
	rows   uint64
}

// recentMost are the rows that are remembered so: reckoning a day takes seconds.
const recentMost = 120

// gapCount sums up gaps to a mark now and then.
type gapCount struct {
	gaps, frames uint64
	marked       time.Duration
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Levels, error) {
	if cfg.Calibrations == nil || cfg.Channels < 1 {
		return nil, errors.New("levels: Config needs Calibrations and Channels")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		begin := time.Now()
		cfg.Now = func() (time.Time, time.Duration) {
			now := time.Now()
			return now.Round(0), now.Sub(begin)
		}
	}
	if cfg.Publish == nil {
		cfg.Publish = func(wire.SoundLevels) {}
	}
	if cfg.Crossed == nil {
		cfg.Crossed = func(wire.Event, uint64) {}
	}
	l := &Levels{
		cfg:  cfg,
		ring: capture.NewRing(cfg.Channels, ringS*cfg.SampleRateHz),
	}
	var open func() (book, error)
	if cfg.Shelf != nil {
		open = func() (book, error) { return cfg.Shelf.Current() }
	}
	l.log = newLog(open, l.restoreLimit, l.introduce, cfg.Logger)
	l.samples = make([]float32, cfg.SampleRateHz/20*cfg.Channels)
	l.Measure(cfg.Microphones)
	if err := l.choose(); err != nil {
		return nil, err
	}
	if err := l.recalibrate(); err != nil {
		cfg.Logger.Warn("calibrations are not in force", "err", err)
	}
	l.restoreLimit()
	l.publish()
	return l, nil
}

// Ring takes the audio: all channels, with every gap.
func (l *Levels) Ring() *capture.Ring { return l.ring }

// Measure chooses other microphones. It does not wait.
func (l *Levels) Measure(microphones []int) {
	l.wanted.Store(new(slices.Sorted(slices.Values(microphones))))
}

// Levels implements stream.LevelOperator.
func (l *Levels) Levels() wire.SoundLevels {
	v := *l.published.Load()
	v.Log = l.log.now() // the disk has gone on since
	return v
}

// Run measures until ctx is done, and stores what was measured till then.
func (l *Levels) Run(ctx context.Context) error {
	stop := make(chan struct{})
	written := make(chan struct{})
	go func() { defer close(written); l.log.run(stop) }()
	defer func() { close(stop); <-written }()
	for {
		if err := l.ring.Wait(ctx); err != nil {
			break
		}
		for l.read() {
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.row(0) // the last part of a second
	return nil
}

// read measures a block; false: there is none.
func (l *Levels) read() bool {
	if !slices.Equal(*l.wanted.Load(), l.channels()) {
		if err := l.choose(); err != nil {
			l.cfg.Logger.Error("measure levels", "err", err)
		}
		l.log.introduce()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	rate := l.cfg.SampleRateHz
	want := min(rate-l.second, len(l.samples)/l.cfg.Channels)
	n, sample, gap := l.ring.Read(l.samples[:want*l.cfg.Channels])
	if n == 0 {
		return false
	}
	if gap.Cause != capture.NoGap {
		l.gaps.gaps++
		l.gaps.frames += gap.LostFrames
	}
	if hole := time.Duration(float64(gap.LostFrames) / float64(rate) * float64(time.Second)); hole >= holeFrom {
		l.skip(gap.LostFrames, hole, n)
	}
	block := l.samples[:n*l.cfg.Channels]
	for _, in := range l.inputs {
		x := in.block[:n]
		for i := range x {
			x[i] = float64(block[i*l.cfg.Channels+in.channel-1])
		}
		in.meter.Feed(x)
	}
	for _, c := range l.captures {
		c.take(block, l.cfg.Channels, gap != capture.Gap{})
	}
	l.captures = slices.DeleteFunc(l.captures, (*recording).full)
	l.second += n
	l.shown += n
	l.sample = sample + uint64(n)
	if l.second >= rate {
		l.row(0)
	}
	every := rate / publishHz
	if len(l.inputs) > bandsUpTo {
		every = rate / publishManyHz
	}
	if l.shown >= every {
		l.shown -= every
		l.publish()
	}
	return true
}

func (l *Levels) channels() (out []int) {
	for _, in := range l.inputs { // only the meters' goroutine changes the list
		out = append(out, in.channel)
	}
	return out
}

// choose makes the meters for the microphones that are wanted. Those that go on
// keep their averages, unless bands come or go.
func (l *Levels) choose() error {
	wanted := *l.wanted.Load()
	fraction := 0
	var bands []level.Band
	if len(wanted) <= bandsUpTo {
		fraction, bands = 3, level.Bands(3)
	}
	var inputs []*input
	for _, channel := range wanted {
		if channel < 1 || channel > l.cfg.Channels {
			return fmt.Errorf("microphone %d: the source has channels 1 to %d", channel, l.cfg.Channels)
		}
		i := slices.IndexFunc(l.inputs, func(x *input) bool { return x.channel == channel })
		if i >= 0 && (len(bands) > 0) == (len(l.bands) > 0) {
			inputs = append(inputs, l.inputs[i])
			continue
		}
		meter, err := level.NewMeter(level.Config{SampleRateHz: float64(l.cfg.SampleRateHz), Bands: fraction})
		if err != nil {
			return fmt.Errorf("measure levels: %w", err)
		}
		inputs = append(inputs, &input{channel: channel, meter: meter, offset: nan, block: make([]float64, len(l.samples)/l.cfg.Channels)})
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.inputs, l.bands = inputs, bands
	return nil
}

// introduce looks up what the disk knows of microphones that have just been
// chosen.
func (l *Levels) introduce() {
	if err := l.recalibrate(); err != nil {
		l.cfg.Logger.Error("calibrations", "err", err)
	}
	l.rebudget(false)
}

// holeFrom is how much sound is missing in a hole: the log, the sliding levels and
// the budget have nothing there, and no row lies on both sides of it.
const holeFrom = time.Second

// skip goes over so many frames, and so much time, that are missing in front of
// the n frames that were read last. mu is held.
func (l *Levels) skip(frames uint64, hole time.Duration, n int) {
	before := hole + time.Duration(n)*time.Second/time.Duration(l.cfg.SampleRateHz)
	l.row(before)
	wall, steady := l.cfg.Now()
	late := time.Duration(l.ring.Len())*time.Second/time.Duration(l.cfg.SampleRateHz) + before
	l.gaps.marked = 0 // at once: it is no trifle
	l.markGaps(wall.Add(-late), steady)
	for _, in := range l.inputs {
		in.meter.Skip(frames)
		if in.limit == nil || math.IsNaN(in.offset) {
			continue
		}
		for range min(int(math.Round(hole.Seconds())), int(day.Seconds())) {
			in.limit.Add(nan, nan)
		}
	}
}

// row ends a second, or what there is of it, which was over so long before what
// was read from the ring: a row for the log, a step for the limit. mu is held.
func (l *Levels) row(before time.Duration) {
	if l.second == 0 {
		return
	}
	wall, steady := l.cfg.Now()
	late := time.Duration(l.ring.Len())*time.Second/time.Duration(l.cfg.SampleRateHz) + before
	wall = wall.Add(-late)
	if !l.wall.IsZero() {
		if off := wall.Sub(l.wall) - (steady - late - l.steady); off > jump || off < -jump {
			l.log.mark(wall, 0, wire.MarkClock, clockSentence(off))
			l.cfg.Logger.Warn("clock was set", "by_s", off.Seconds())
		}
	}
	l.wall, l.steady = wall, steady-late
	l.markGaps(wall, steady)
	rows := make([]show.LevelRow, 0, len(l.inputs))
	for _, in := range l.inputs {
		in.meter.Take(&in.last)
		in.meter.Read(&in.total)
		r := &in.last
		rows = append(rows, show.LevelRow{
			Microphone: in.channel, AtMs: wall.UnixMilli(), Sample: l.sample,
			DurationMs: int64(r.DurationS*1000 + 0.5), OffsetDB: in.offset,
			LAeqDB: r.LAeqDB, LCeqDB: r.LCeqDB, LAFMaxDB: r.LAFMaxDB, LCPeakDB: r.LCPeakDB,
			BandDB: slices.Clone(r.BandLeqDB),
		})
		in.remember(&rows[len(rows)-1])
		l.follow(in, wall)
	}
	l.second = 0
	l.log.add(rows)
}

// markEvery is how often at most gaps are marked.
const markEvery = 10 * time.Second

func (l *Levels) markGaps(wall time.Time, steady time.Duration) {
	if l.gaps.gaps == 0 || l.gaps.marked != 0 && steady-l.gaps.marked < markEvery {
		return
	}
	l.log.mark(wall, 0, wire.MarkGap, gapSentence(l.gaps, l.cfg.SampleRateHz))
	l.gaps = gapCount{marked: steady}
}

// ResetLevels implements stream.LevelOperator.
func (l *Levels) ResetLevels(_ context.Context, by string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, in := range l.inputs {
		in.meter.Reset()
		in.last, in.total = level.Reading{}, level.Reading{}
		if in.limit != nil {
			in.limit.Reset()
		}
		in.crossed = false
	}
	l.second = 0
	wall, _ := l.cfg.Now()
	l.resetMs = wall.UnixMilli()
	l.log.mark(wall, 0, wire.MarkReset, "Averages and budget were started afresh by "+by+".")
	l.publish()
	return nil
}
