package recorder

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/capture/leak"
	"plumbline/capture/wavfile"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

const rate, channels = 8000, 3

// block is 100 ms in which each sample says its place.
func block(n int) []float32 {
	b := make([]float32, rate/10*channels)
	for i := range b {
		b[i] = float32(n*len(b)+i+1) / (1 << 22)
	}
	return b
}

// start runs a recorder, changed by set, until stop is called.
func start(t *testing.T, set func(*Recorder)) (r *Recorder, path string, stop func()) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "hall.wav")
	r, err := New(Config{Path: path, SampleRateHz: rate, Channels: channels})
	if err != nil {
		t.Fatal(err)
	}
	r.free = func(string) (int64, bool) { return 1 << 40, true }
	if set != nil {
		set(r)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	stop = func() {
		t.Helper()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	return r, path, stop
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(3 * time.Minute); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("never: ", what)
		}
	}
}

// recorded is all that a file holds, frame after frame.
func recorded(t *testing.T, path string) []float32 {
	t.Helper()
	f, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if format := f.Format(); format != (wavfile.Format{SampleRateHz: rate, Channels: channels, Encoding: wavfile.Float32}) {
		t.Errorf("%+v", format)
	}
	planes := make([][]float64, channels)
	for c := range planes {
		planes[c] = make([]float64, f.Frames())
	}
	if _, err := f.ReadFrames(planes, 0); err != nil {
		t.Fatal(err)
	}
	var out []float32
	for i := range planes[0] {
		for c := range planes {
			out = append(out, float32(planes[c][i]))
		}
	}
	return out
}

func TestEverySampleAsItCame(t *testing.T) {
	r, path, stop := start(t, nil)
	var want []float32
	for n := range 30 {
		b := block(n)
		want = append(want, b...)
		if !r.Ring().Write(b) {
			t.Fatal("no room")
		}
	}
	waitFor(t, "the beginning", func() bool { return r.Status().State == wire.RecordingRuns })
	stop()
	if got := recorded(t, path); !slices.Equal(got, want) {
		t.Errorf("%d samples, want %d, the same", len(got), len(want))
	}
	if s := r.Status(); s.File != "hall.wav" || s.Text != "" || s.LostS != 0 || s.Since == "" {
		t.Errorf("%+v", s)
	}
	if _, err := New(Config{Path: path, SampleRateHz: rate, Channels: channels}); err == nil || !strings.Contains(err.Error(), "exists, choose another name") {
		t.Errorf("over a recording: %v", err)
	}
}

// What was lost before is silent, so that the time in the file holds; what was
// lost for long is cut out, and told.
func TestLostSamplesAreSilentInIt(t *testing.T) {
	r, path, stop := start(t, nil)
	r.Ring().Write(block(0))
	r.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: rate / 2})
	r.Ring().Write(block(1))
	r.Ring().Mark(capture.Gap{Cause: capture.Zeros})
	r.Ring().Write(block(2))
	r.Ring().Mark(capture.Gap{Cause: capture.Reopened, LostFrames: 60 * rate})
	r.Ring().Write(block(3))
	stop()
	want := slices.Concat(block(0), make([]float32, rate/2*channels), block(1), block(2), block(3))
	if got := recorded(t, path); !slices.Equal(got, want) {
		t.Errorf("%d samples, want %d", len(got), len(want))
	}
	if s := r.Status(); math.Abs(s.LostS-60.5) > 1e-9 || !strings.Contains(s.Text, "60.5 s are missing in the recording. It is cut at 0:00:00, where 60 s are missing.") {
		t.Errorf("%+v", s)
	}
}

// slow is a disk that takes nothing until it is let.
type slow struct {
	sink
	let <-chan struct{}
}

func (s slow) Write(b []float32) error { <-s.let; return s.sink.Write(b) }

// A disk that stalls holds nobody up. What does not fit is counted, and the time holds.
func TestASlowDiskHoldsNobodyUp(t *testing.T) {
	let := make(chan struct{})
	r, path, stop := start(t, func(r *Recorder) {
		create := r.create
		r.create = func() (sink, error) {
			file, err := create()
			return slow{file, let}, err
		}
	})
	stored := 0
	for n := range 200 { // 20 s: more than waits
		if r.Ring().Write(block(n)) {
			stored++
		}
	}
	if stored == 200 || stored < 10*ringS {
		t.Errorf("%d of 200 blocks found room", stored)
	}
	close(let)
	waitFor(t, "room", func() bool { return r.Ring().Len() == 0 })
	r.Ring().Write(block(200))
	stop()
	got := recorded(t, path)
	if len(got) != 201*rate/10*channels {
		t.Fatalf("%d samples, want 20.1 s", len(got))
	}
	if last := got[len(got)-rate/10*channels:]; !slices.Equal(last, block(200)) || got[len(got)-rate/10*channels-1] != 0 {
		t.Error("what comes after the loss is not where it belongs")
	}
	if s := r.Status(); math.Abs(s.LostS-float64(200-stored)/10) > 1e-9 || !strings.Contains(s.Text, "because its disk is too slow") || s.State != wire.RecordingRuns {
		t.Errorf("%+v", s)
	}
}

// full is a disk that is full after some writes.
type full struct {
	sink
	left int
}

func (f *full) Write(b []float32) error {
	if f.left--; f.left < 0 {
		return &os.PathError{Op: "write", Path: "hall.wav", Err: syscall.ENOSPC}
	}
	return f.sink.Write(b)
}

// With a disk that is full, or nearly, it stops, says so, and what was recorded stays.
func TestAFullDiskStopsIt(t *testing.T) {
	for want, set := range map[string]func(*Recorder){
		"no space left on device": func(r *Recorder) {
			create := r.create
			r.create = func() (sink, error) {
				file, err := create()
				return &full{file, 12}, err
			}
		},
		"less than 512 MB are free on the disk, which stay free for the show": func(r *Recorder) {
			looks := 0
			r.look = 0
			r.free = func(string) (int64, bool) {
				if looks++; looks > 12 {
					return 100 << 20, true
				}
				return 1 << 40, true
			}
		},
	} {
		r, path, stop := start(t, set)
		for n := 0; r.Status().State != wire.RecordingStopped; n++ {
			if n > 90 {
				t.Fatalf("it never stops: %+v", r.Status())
			}
			r.Ring().Write(block(n))
			waitFor(t, "the block to be taken", func() bool { return r.Ring().Len() == 0 || r.Status().State == wire.RecordingStopped })
		}
		stop()
		if s := r.Status(); !strings.HasPrefix(s.Text, "The recording has stopped after 0:00:01: ") || !strings.Contains(s.Text, want) || !strings.Contains(s.Text, "another name") {
			t.Errorf("%+v", s)
		}
		if got := recorded(t, path); len(got) < 12*rate/10*channels || !slices.Equal(got[:rate/10*channels], block(0)) {
			t.Errorf("%d samples are kept, want 1.2 s", len(got))
		}
	}
}

func TestWhereNothingCanBeRecorded(t *testing.T) {
	dir := t.TempDir()
	r, err := New(Config{Path: filepath.Join(dir, "a.wav"), SampleRateHz: rate, Channels: channels})
	if err != nil {
		t.Fatal(err)
	}
	r.free = func(string) (int64, bool) { return 100 << 20, true }
	if err := r.Open(); err == nil || !strings.Contains(err.Error(), "100 MB are free on its disk") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(r.cfg.Path); !errors.Is(err, os.ErrNotExist) {
		t.Error("it left a file")
	}
	// Before anything else is made.
	if _, err := New(Config{Path: filepath.Join(dir, "none", "a.wav"), SampleRateHz: rate, Channels: channels}); err == nil || !strings.Contains(err.Error(), "there is no folder") {
		t.Errorf("no such folder: %v", err)
	}
	if _, err := New(Config{Path: filepath.Join(dir, "a.wav")}); err == nil {
		t.Error("without a rate")
	}
}
