package recorder

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
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
		r.create = func(path string) (sink, error) {
			file, err := create(path)
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

// stalls is a disk that takes nothing while the test holds it.
type stalls struct {
	sink
	held *sync.RWMutex
}

func (s stalls) Write(b []float32) error {
	s.held.RLock()
	defer s.held.RUnlock()
	return s.sink.Write(b)
}

// sound fails unless the header, read as the format's description has it, says what
// the file holds: to the byte, since other programs believe it.
func sound(t *testing.T, path string, frames int) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	if string(b[:4]) != "RIFF" || string(b[8:12]) != "WAVE" || int(le.Uint32(b[4:])) != len(b)-8 {
		t.Errorf("%q of %d bytes, the file has %d behind that", b[:12], le.Uint32(b[4:]), len(b)-8)
	}
	chunks := map[string][]byte{}
	for at := 12; at < len(b); {
		id, size := string(b[at:at+4]), int(le.Uint32(b[at+4:]))
		if at+8+size > len(b) {
			t.Fatalf("chunk %q of %d bytes, %d are there", id, size, len(b)-at-8)
		}
		chunks[id] = b[at+8 : at+8+size]
		at += 8 + size + size&1
	}
	const frameBytes = 4 * channels
	f := chunks["fmt "]
	if len(f) != 40 || le.Uint16(f) != 0xFFFE || le.Uint16(f[24:]) != 3 || le.Uint16(f[2:]) != channels || le.Uint32(f[4:]) != rate ||
		le.Uint32(f[8:]) != rate*frameBytes || le.Uint16(f[12:]) != frameBytes || le.Uint16(f[14:]) != 32 {
		t.Errorf("format % x", f)
	}
	if n := le.Uint32(chunks["fact"]); int(n) != frames || len(chunks["data"]) != frames*frameBytes {
		t.Errorf("%d frames and %d bytes are said, want %d frames", n, len(chunks["data"]), frames)
	}
}

// A disk that stalls twice, while the device loses samples too, and once more at the
// end: each sample that found room is at its time, the others are silent, all of them
// are counted, and the file is as long as what was played.
func TestWhatASlowDiskLosesIsInTheClockOfTheFile(t *testing.T) {
	var held sync.RWMutex
	r, path, stop := start(t, func(r *Recorder) {
		create := r.create
		r.create = func(path string) (sink, error) {
			file, err := create(path)
			return stalls{file, &held}, err
		}
	})
	var want []float32
	lost, n := 0, 0
	play := func() (stored bool) {
		b := block(n)
		n++
		if stored = r.Ring().Write(b); !stored {
			clear(b)
			lost += rate / 10
		}
		want = append(want, b...)
		return stored
	}
	lose := func(frames int) { // the device
		r.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: uint64(frames)})
		want = append(want, make([]float32, frames*channels)...)
		lost += frames
	}
	stall := func(behind func()) {
		held.Lock()
		for play() {
		}
		for range 30 {
			play()
		}
		behind()
		held.Unlock()
	}
	taken := func() { waitFor(t, "room", func() bool { return r.Ring().Len() == 0 }) }

	play()
	stall(func() {})
	taken()
	play()
	lose(123)
	play()
	stall(func() { lose(777) })
	taken()
	play()
	taken()
	stall(func() {})
	dropped := r.Ring().Dropped()
	stop()

	got := recorded(t, path)
	if len(got) != len(want) {
		t.Fatalf("%d frames, want %d", len(got)/channels, len(want)/channels)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("frame %d, channel %d: %g, want %g", i/channels, i%channels, got[i], want[i])
		}
	}
	sound(t, path, len(want)/channels)
	if int(dropped) != lost-123-777 {
		t.Errorf("%d frames are said to be dropped, %d were", dropped, lost-123-777)
	}
	s := r.Status()
	text := fmt.Sprintf("%.1f s are missing in the recording, %.1f s of them because its disk is too slow.", float64(lost)/rate, float64(dropped)/rate)
	if math.Abs(s.LostS-float64(lost)/rate) > 1e-9 || s.Text != text || s.State != wire.RecordingRuns {
		t.Errorf("%+v, want %s", s, text)
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
			r.look = time.Hour
			create := r.create
			r.create = func(path string) (sink, error) {
				file, err := create(path)
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
		if s := r.Status(); !strings.HasPrefix(s.Text, "The recording has stopped after 0:00:01: ") || !strings.Contains(s.Text, want) || !strings.HasSuffix(s.Text, ". It goes on by itself, in another file, when there is room: make room.") {
			t.Errorf("%+v", s)
		}
		got := recorded(t, path)
		sound(t, path, len(got)/channels)
		if len(got) < 12*rate/10*channels || !slices.Equal(got[:rate/10*channels], block(0)) {
			t.Errorf("%d samples are kept, want 1.2 s", len(got))
		}
	}
}

// When there is room again it goes on in another file, and never in one that is there; each
// sample is in one of the two or counted. What no room mends ends it.
func TestItGoesOnWhenThereIsRoom(t *testing.T) {
	var room atomic.Bool
	made := 0
	r, path, stop := start(t, func(r *Recorder) {
		r.look = 0
		r.free = func(string) (int64, bool) {
			if made > 0 && !room.Load() {
				return reserve + again - 1, true
			}
			return 1 << 40, true
		}
		create := r.create
		r.create = func(path string) (sink, error) {
			file, err := create(path)
			if made++; made == 1 {
				return &full{file, 12}, err
			}
			return &broken{file, 5}, err
		}
	})
	taken := filepath.Join(filepath.Dir(path), "hall 2.wav")
	if err := os.WriteFile(taken, []byte("somebody's"), 0o600); err != nil {
		t.Fatal(err)
	}
	n := 0
	var all []float32
	play := func() {
		all = append(all, block(n)...)
		r.Ring().Write(block(n))
		n++
		waitFor(t, "the block to be taken", func() bool { return r.Ring().Len() == 0 })
	}
	for range 20 {
		play()
	}
	waitFor(t, "the stop", func() bool { return r.Status().State == wire.RecordingStopped })
	if s := r.Status(); !strings.HasPrefix(s.Text, "The recording has stopped after 0:00:01: ") || !strings.HasSuffix(s.Text, "when there is room: make room.") {
		t.Errorf("%+v", s)
	}
	room.Store(true)
	play()
	waitFor(t, "another part", func() bool { return r.Status().State == wire.RecordingRuns })
	s := r.Status()
	for range 5 {
		play()
	}
	n = 41
	r.Ring().Write(block(n)) // breaks
	waitFor(t, "the end", func() bool { return r.Status().State == wire.RecordingStopped })
	stop()
	first, second := recorded(t, path), recorded(t, filepath.Join(filepath.Dir(path), "hall 3.wav"))
	missing := len(all) - len(first) - len(second)
	if want := "900 ms are missing in the recording. 900 ms are between the file before, hall.wav, and this one: its disk was full."; s.File != "hall 3.wav" || s.Text != want || math.Abs(s.LostS*rate*channels-float64(missing)) > 1e-6 {
		t.Errorf("%+v, want %d samples missing", s, missing)
	}
	if !slices.Equal(first, all[:len(first)]) || !slices.Equal(second, all[len(all)-len(second):]) || len(first) < 12*rate/10*channels || len(second) < 4*rate/10*channels {
		t.Errorf("%d and %d samples of %d are kept", len(first), len(second), len(all))
	}
	if s := r.Status(); !strings.HasSuffix(s.Text, "input/output error. Start plumbline again with another name.") {
		t.Errorf("%+v", s)
	}
	if b, err := os.ReadFile(taken); err != nil || string(b) != "somebody's" {
		t.Errorf("what was there: %q, %v", b, err)
	}
}

// broken is a disk that breaks after some writes.
type broken struct {
	sink
	left int
}

func (f *broken) Write(b []float32) error {
	if f.left--; f.left < 0 {
		return &os.PathError{Op: "write", Path: "hall 3.wav", Err: syscall.EIO}
	}
	return f.sink.Write(b)
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
