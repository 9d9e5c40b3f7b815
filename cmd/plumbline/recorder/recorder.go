// Package recorder writes what the daemon hears to a WAV file, all channels and
// every sample as it came.
//
//	pump ─► Ring ─► Recorder ─► file
//
// The pump never waits for the disk. What a slow disk has no time for is silent
// in the file, so that its time holds, and counted; with a disk that is nearly
// full the recording stops, says so, and goes on in another file when there is room.
package recorder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"plumbline/capture"
	"plumbline/capture/wavfile"
	"plumbline/stream/wire"
)

const (
	ringS  = 10 // of audio that waits for the disk, seconds
	blockS = 0.1
	// fillS is the longest stretch of lost samples that silence stands for; a
	// device may be away for hours.
	fillS = 10
	// reserve is how much of the disk stays free, bytes: the show may be there.
	reserve   = 512 << 20
	lookEvery = 2 * time.Second // at how much of it is
)

// Config of a Recorder.
type Config struct {
	Path         string // of the file, which must not exist yet
	SampleRateHz int
	Channels     int
	Logger       *slog.Logger
}

// sink is what is written to.
type sink interface {
	Write(interleaved []float32) error
	Close() error
	Frames() int64
}

// Recorder records. Open and Run are for one goroutine, the other methods for any.
type Recorder struct {
	cfg    Config
	ring   *capture.Ring
	create func(path string) (sink, error)
	free   func(dir string) (bytes int64, known bool)
	look   time.Duration // between two looks at free

	file   sink          // nil: there is no room
	path   string        // of file
	parts  int           // after the first
	pause  time.Duration // between two tries to go on
	next   uint64        // sample index behind the newest in the file; 0 before the first
	looked time.Time
	lost   int64 // frames of silence in place of samples
	cut    string
	status atomic.Pointer[wire.Recording]
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Recorder, error) {
	if cfg.Path == "" || cfg.SampleRateHz < 1 || cfg.Channels < 1 {
		return nil, errors.New("recorder: Config needs Path, SampleRateHz and Channels")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if _, err := os.Lstat(cfg.Path); err == nil {
		return nil, fmt.Errorf("cannot record to %s: it exists, choose another name", cfg.Path)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("cannot record to %s: %w", cfg.Path, err)
	}
	if info, err := os.Stat(filepath.Dir(cfg.Path)); err != nil || !info.IsDir() {
		return nil, fmt.Errorf("cannot record to %s: there is no folder %s", cfg.Path, filepath.Dir(cfg.Path))
	}
	r := &Recorder{cfg: cfg, ring: capture.NewRing(cfg.Channels, ringS*cfg.SampleRateHz), free: free, look: lookEvery}
	r.path = cfg.Path
	r.create = func(path string) (sink, error) {
		return wavfile.Record(path, wavfile.Format{SampleRateHz: cfg.SampleRateHz, Channels: cfg.Channels, Encoding: wavfile.Float32})
	}
	r.status.Store(&wire.Recording{File: filepath.Base(cfg.Path), State: wire.RecordingWaits})
	return r, nil
}

// Ring takes the audio: all channels, with every gap.
func (r *Recorder) Ring() *capture.Ring { return r.ring }

// Status is how it goes.
func (r *Recorder) Status() wire.Recording { return *r.status.Load() }

// Open makes the file. Run does so too, but then an error comes late.
func (r *Recorder) Open() error {
	if r.file != nil {
		return nil
	}
	if n, known := r.free(filepath.Dir(r.cfg.Path)); known && n < reserve {
		return fmt.Errorf("cannot record to %s: %d MB are free on its disk, and %d MB stay free for the show: make room or choose another disk", r.cfg.Path, n>>20, reserve>>20)
	}
	file, err := r.create(r.path)
	if err != nil {
		return err
	}
	r.file, r.looked = file, time.Now()
	r.say(wire.RecordingRuns, "")
	r.cfg.Logger.Info("recording", "file", r.cfg.Path)
	return nil
}

// Run records until ctx is done, or until the disk takes no more.
func (r *Recorder) Run(ctx context.Context) error {
	if err := r.Open(); err != nil {
		r.say(wire.RecordingStopped, "There is no recording: "+err.Error()+".")
		r.cfg.Logger.Error("there is no recording", "err", err)
		return nil
	}
	block := make([]float32, int(blockS*float64(r.cfg.SampleRateHz))*r.cfg.Channels)
	for r.ring.Wait(ctx) == nil {
		if r.file == nil {
			r.goOn(block)
		} else if err := r.write(block); err != nil && !r.stop(err) {
			return nil
		}
	}
	if r.file == nil {
		return nil
	}
	if err := errors.Join(r.write(block), r.trail(), r.file.Close()); err != nil { // what had come before the end
		r.stop(err)
		return nil
	}
	r.cfg.Logger.Info("recorded", "file", r.path, "seconds", r.seconds(r.file.Frames()), "lost_frames", r.lost)
	return nil
}

// write empties the ring into the file.
func (r *Recorder) write(block []float32) error {
	for {
		n, sample, gap := r.ring.Read(block)
		if n == 0 {
			return nil
		}
		if gap.LostFrames > 0 && r.next > 0 {
			if err := r.fill(int64(sample - r.next)); err != nil {
				return err
			}
			r.next = sample
		}
		if err := r.file.Write(block[:n*r.cfg.Channels]); err != nil {
			return err
		}
		r.next = sample + uint64(n)
		if now := time.Now(); now.Sub(r.looked) >= r.look {
			r.looked = now
			if n, known := r.free(filepath.Dir(r.cfg.Path)); known && n < reserve {
				return errNearlyFull
			}
		}
	}
}

// trail is for what was lost last, with nothing behind it that was stored.
func (r *Recorder) trail() error {
	if missing := r.ring.Trailing(); missing > 0 && r.next > 0 {
		return r.fill(int64(missing))
	}
	return nil
}

var errNearlyFull = fmt.Errorf("less than %d MB are free on the disk, which stay free for the show", reserve>>20)

// fill writes silence in place of lost frames, and tells.
func (r *Recorder) fill(missing int64) error {
	at := clock(r.seconds(r.file.Frames()))
	if missing > fillS*int64(r.cfg.SampleRateHz) {
		r.cut = fmt.Sprintf(" It is cut at %s, where %.0f s are missing.", at, r.seconds(missing))
	} else {
		silence := make([]float32, int(missing)*r.cfg.Channels)
		if err := r.file.Write(silence); err != nil {
			return err
		}
	}
	r.lost += missing
	r.cfg.Logger.Warn("samples are missing in the recording", "file", r.path, "at", at, "frames", missing)
	text := r.words(r.lost) + " are missing in the recording."
	if slow := int64(r.ring.Dropped()); slow > 0 {
		text = fmt.Sprintf("%s are missing in the recording, %s of them because its disk is too slow.", r.words(r.lost), r.words(slow))
	}
	r.say(wire.RecordingRuns, text+r.cut)
	return nil
}

func (r *Recorder) say(state, text string) {
	old := r.status.Load()
	next := wire.Recording{File: filepath.Base(r.path), State: state, Text: text, Since: old.Since, LostS: r.seconds(r.lost)}
	if next.Since == "" && state == wire.RecordingRuns {
		next.Since = time.Now().UTC().Format(time.RFC3339)
	}
	r.status.Store(&next)
}

func (r *Recorder) seconds(frames int64) float64 {
	return float64(frames) / float64(r.cfg.SampleRateHz)
}

// words is how long so many frames are, never nothing.
func (r *Recorder) words(frames int64) string {
	if s := r.seconds(frames); s >= 1 {
		return fmt.Sprintf("%.1f s", s)
	}
	return fmt.Sprintf("%.0f ms", math.Ceil(1000*r.seconds(frames)))
}

// clock is h:mm:ss.
func clock(s float64) string {
	n := int(s)
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}
