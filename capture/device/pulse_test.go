//go:build cgo && !nodevices && linux

package device

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/capture/device/pulsetest"
	"plumbline/capture/wavfile"
)

// record captures into a goroutine of its own until stop is called.
type recording struct {
	ring *capture.Ring
	stop func() error
}

func record(t *testing.T, s *Source) *recording {
	t.Helper()
	r := &recording{ring: capture.NewRing(len(s.Info().Channels), 1<<19)}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, r.ring) }()
	ended := false
	r.stop = func() error {
		if ended {
			return nil
		}
		ended = true
		cancel()
		return <-done
	}
	t.Cleanup(func() { _ = r.stop() })
	return r
}

// next waits for frames that satisfy want, in any number of reads.
func (r *recording) next(t *testing.T, what string, want func(sample uint64, gap capture.Gap, data []float32) bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	buf := make([]float32, 4800*r.ring.Channels())
	for r.ring.Wait(ctx) == nil {
		n, sample, gap := r.ring.Read(buf)
		if n > 0 && want(sample, gap, buf[:n*r.ring.Channels()]) {
			return
		}
	}
	t.Fatalf("waited in vain for %s", what)
}

// until waits for a condition of the source.
func until(t *testing.T, s *Source, what string, ok func(capture.Status) bool) {
	t.Helper()
	for deadline := time.Now().Add(3 * time.Minute); !ok(s.Status()); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s: %+v %+v", what, s.Status(), s.Counters())
		}
	}
}

func writeWAV(t *testing.T, rateHz, channels, frames int, at func(frame, channel int) float32) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sent.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: rateHz, Channels: channels, Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	block := make([]float32, frames*channels)
	for i := range block {
		block[i] = at(i/channels, i%channels)
	}
	if err := w.Write(block); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// Through real PortAudio, PulseAudio and back, the samples are those that were
// sent: any channels of eight, none missing, none changed.
func TestPulseCarriesEverySampleOfTheChannelsAskedFor(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{Channels: 8})
	s, err := Open(Config{ID: pulsetest.DeviceID, Reference: 3, Microphones: []int{8, 1}, SampleRateHz: 48000})
	if err != nil {
		t.Fatal(err)
	}
	r := record(t, s)
	until(t, s, "the first block", func(st capture.Status) bool { return st.State == capture.Running })
	// A ramp of exactly representable steps in each channel, told apart by its start.
	const frames = 4 * 48000
	server.Play(writeWAV(t, 48000, 8, frames, func(frame, channel int) float32 {
		return float32((frame+channel*1000)%32768+1) / 65536
	}))

	step := func(v float32) int { return int(math.Round(float64(v)*65536)) - 1 }
	seen, last, silent := 0, -1, 0
	r.next(t, "three seconds of the ramp", func(_ uint64, gap capture.Gap, data []float32) bool {
		for i := 0; i < len(data); i += 3 {
			if data[i] == 0 {
				silent++ // before the start
				continue
			}
			ref, mic8, mic1 := step(data[i]), step(data[i+1]), step(data[i+2])
			if mic8 != (ref+5000)%32768 || mic1 != (ref+30768)%32768 {
				t.Fatalf("channels 3, 8 and 1 carry steps %d, %d and %d", ref, mic8, mic1)
			}
			if last >= 0 && ref != (last+1)%32768 {
				t.Fatalf("step %d follows %d, with %d frames of silence between: %+v", ref, last, silent, s.Counters())
			}
			silent = 0
			if float32(ref+1)/65536 != data[i] {
				t.Fatalf("%g is not what was sent", data[i])
			}
			last = ref
			seen++
		}
		return seen >= 3*48000
	})
	if c := s.Counters(); c.Overflows != 0 || c.Stalls != 0 || c.LostFrames != 0 {
		t.Errorf("counted %+v", c)
	}
	if err := r.stop(); err != nil {
		t.Error(err)
	}
}

func TestPulseAt96kHz(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{RateHz: 96000})
	s, err := Open(Config{ID: pulsetest.DeviceID, SampleRateHz: 96000})
	if err != nil {
		t.Fatal(err)
	}
	if s.Info().SampleRateHz != 96000 {
		t.Fatalf("rate is %d", s.Info().SampleRateHz)
	}
	r := record(t, s)
	until(t, s, "the first block", func(st capture.Status) bool { return st.State == capture.Running })
	server.Play(writeWAV(t, 96000, 2, 3*96000, func(frame, channel int) float32 {
		return float32(frame%1024+1) / 2048
	}))
	seen, last := 0, float32(0)
	r.next(t, "a second of the ramp", func(_ uint64, _ capture.Gap, data []float32) bool {
		for i := 0; i < len(data); i += 2 {
			if data[i] == 0 {
				continue
			}
			if d := data[i] - last; last != 0 && d != 1./2048 && d != -1023./2048 {
				t.Fatalf("%g follows %g: resampled?", data[i], last)
			}
			last = data[i]
			seen++
		}
		return seen >= 96000
	})
}

func TestPulseSilenceIsRecognized(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{})
	s, err := Open(Config{ID: pulsetest.DeviceID})
	if err != nil {
		t.Fatal(err)
	}
	r := record(t, s)
	until(t, s, "the sentence", func(st capture.Status) bool {
		return st.State == capture.Running && strings.Contains(st.Text, "exact zeros")
	})
	if c := s.Counters(); c.ZeroRuns != 0 {
		t.Errorf("before anything has played: counted %+v", c)
	}
	stop := server.Play(writeWAV(t, 48000, 2, 60*48000, func(int, int) float32 { return 0.25 }))
	r.next(t, "the sound", func(_ uint64, _ capture.Gap, data []float32) bool { return slices.Contains(data, 0.25) })
	stop()
	r.next(t, "the mark of the zeros", func(_ uint64, gap capture.Gap, _ []float32) bool { return gap.Cause == capture.Zeros })
	if c := s.Counters(); c.ZeroRuns != 1 {
		t.Errorf("counted %+v", c)
	}
}

func TestPulseUnpluggedAndPluggedAgain(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{})
	s, err := Open(Config{ID: pulsetest.DeviceID})
	if err != nil {
		t.Fatal(err)
	}
	r := record(t, s)
	until(t, s, "the first block", func(st capture.Status) bool { return st.State == capture.Running })
	server.Unplug()
	until(t, s, "the loss to show", func(st capture.Status) bool { return st.State == capture.Lost && st.Text != "" })
	server.Plug()
	until(t, s, "the return", func(st capture.Status) bool { return st.State == capture.Running })
	r.next(t, "the mark", func(_ uint64, gap capture.Gap, _ []float32) bool {
		return gap.Cause == capture.Reopened && gap.LostFrames > 0
	})
	if err := r.stop(); err != nil {
		t.Error(err)
	}
}

func TestPulseFrozen(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{})
	s, err := Open(Config{ID: pulsetest.DeviceID})
	if err != nil {
		t.Fatal(err)
	}
	r := record(t, s)
	until(t, s, "the first block", func(st capture.Status) bool { return st.State == capture.Running })
	server.Freeze()
	until(t, s, "the stall to show", func(st capture.Status) bool { return st.State == capture.Stalled && st.Text != "" })
	server.Thaw()
	until(t, s, "the return", func(st capture.Status) bool { return st.State == capture.Running })
	r.next(t, "the mark", func(_ uint64, gap capture.Gap, _ []float32) bool { return gap.Cause == capture.Stall })
	if c := s.Counters(); c.Stalls == 0 { // more than one where the sink catches up in jumps
		t.Errorf("counted %+v", c)
	}
	if err := r.stop(); err != nil {
		t.Error(err)
	}
}

// What is played comes back through the cable, and ends without a click. A
// machine so busy that the output runs dry or the input loses samples clicks by
// itself: then it is played again.
func TestPulsePlay(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{})
	s, err := Open(Config{ID: pulsetest.DeviceID})
	if err != nil {
		t.Fatal(err)
	}
	r := record(t, s)
	until(t, s, "the first block", func(st capture.Status) bool { return st.State == capture.Running })
	for range 10 {
		clicks, disturbed := playAndStop(t, r)
		if disturbed {
			t.Logf("disturbed: %q", clicks)
			continue
		}
		if len(clicks) > 0 {
			t.Errorf("clicks at the end: %q", clicks)
		}
		return
	}
	t.Fatal("the machine was too busy for real sound ten times")
}

// playAndStop plays a constant, stops after a second and says what clicks are in
// its end, and whether samples were lost on the way.
func playAndStop(t *testing.T, r *recording) (clicks []string, disturbed bool) {
	t.Helper()
	o, err := OpenOutput(OutputConfig{ID: pulsetest.DeviceID})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var filled atomic.Int64
	ended := make(chan error, 1)
	go func() {
		ended <- o.Play(ctx, func(block []float32) {
			for i := range block {
				block[i] = 0.25
			}
			filled.Add(int64(len(block) / 2))
		})
	}()
	heard := 0
	r.next(t, "a second of what is played", func(_ uint64, _ capture.Gap, data []float32) bool {
		for _, v := range data {
			if v == 0.25 {
				heard++
			}
		}
		return heard >= 2*48000
	})
	ahead := filled.Load() - int64(heard/2)
	began, before := time.Now(), filled.Load()
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	last, tail := float32(0.25), 0
	r.next(t, "the silence after it", func(_ uint64, gap capture.Gap, data []float32) bool {
		disturbed = disturbed || gap != capture.Gap{}
		for i := 0; i < len(data); i += 2 {
			if step := math.Abs(float64(data[i] - last)); step > 0.25/480*1.01 {
				clicks = append(clicks, fmt.Sprintf("from %g to %g", last, data[i]))
			}
			last = data[i]
			if last != 0 {
				tail++
			}
		}
		return last == 0
	})
	if after := filled.Load() - before; after > 48000/20 {
		t.Errorf("%d frames were asked for after the order to stop: more than 50 ms", after)
	}
	t.Logf("ended in %v; %d frames were filled ahead, %d frames sounded after the order to stop, %d underruns", took, ahead, tail, o.Underruns())
	return clicks, disturbed || o.Underruns() > 0
}

func TestPulseListsAndIsQuiet(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{})
	stderr := filepath.Join(t.TempDir(), "stderr")
	f, err := os.Create(stderr)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	restore := redirectStderr(t, f)
	devs, err := List()
	restore()
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, d := range devs {
		found = found || d.ID == pulsetest.DeviceID && d.Inputs >= 2 && d.Outputs >= 2 && d.Host == "ALSA"
	}
	if !found {
		t.Errorf("%s is not in %+v", pulsetest.DeviceID, devs)
	}
	if noise, _ := os.ReadFile(stderr); len(noise) > 0 {
		t.Errorf("the libraries' chatter came through: %.200s", noise)
	}
	_, err = Open(Config{ID: "alsa/nothing"})
	if err == nil || !strings.Contains(err.Error(), pulsetest.DeviceID) {
		t.Errorf("the error does not list what is there: %v", err)
	}
}
