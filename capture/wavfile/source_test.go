package wavfile

import (
	"context"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
)

func ramp(n int) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(i) / float32(n)
	}
	return x
}

func TestSourceDeliversEveryFrameAsFastAsItGoes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	x := ramp(2 * 20011)
	write(t, path, Format{44100, 2, Float32}, x)
	s, err := NewSource(SourceConfig{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	if i := s.Info(); i.Kind != "file" || i.Name != "a.wav" || i.SampleRateHz != 44100 || len(i.Channels) != 2 {
		t.Errorf("info %+v", i)
	}
	if s.Status().State != capture.Starting {
		t.Errorf("before Run: %v", s.Status())
	}
	ring := capture.NewRing(2, 1000)
	done := make(chan error)
	go func() { done <- s.Run(t.Context(), ring) }()
	buf := make([]float32, 512)
	at := 0
	for ring.Wait(t.Context()) == nil {
		n, sample, gap := ring.Read(buf)
		if int(sample) != at || gap.Cause != capture.NoGap {
			t.Fatalf("frame %d after %v, want %d", sample, gap, at)
		}
		for i, v := range buf[:2*n] {
			if v != x[2*at+i] {
				t.Fatalf("sample %d is %v", 2*at+i, v)
			}
		}
		at += n
	}
	if err := <-done; err != nil || at != 20011 || s.Status().State != capture.Ended {
		t.Errorf("%d frames, %v, %v", at, s.Status(), err)
	}
}

// Five minutes in a bubble where time passes at once: the clock and the samples
// agree to the block at its end, and each turn is marked.
func TestPacedLoopKeepsTheClockAndMarksTheSeam(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	const frames = 44100 / 2 // 50 blocks
	write(t, path, Format{44100, 1, PCM16}, ramp(frames))
	synctest.Test(t, func(t *testing.T) {
		s, err := NewSource(SourceConfig{Path: path, Loop: true, Pace: true})
		if err != nil {
			t.Fatal(err)
		}
		ring := capture.NewRing(1, 8192)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute+time.Millisecond)
		defer cancel()
		done := make(chan error)
		go func() { done <- s.Run(ctx, ring) }()
		buf := make([]float32, 8192)
		var total, seams int
		for ring.Wait(t.Context()) == nil {
			n, sample, gap := ring.Read(buf)
			if gap.Cause == capture.Seam {
				seams++
				if sample%frames != 0 {
					t.Fatalf("a seam in front of frame %d", sample)
				}
			}
			total += n
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if total != 300*44100 || seams != 599 || s.Counters().DroppedRing != 0 {
			t.Errorf("five minutes: %d frames and %d seams, dropped %d", total, seams, s.Counters().DroppedRing)
		}
	})
}

func TestPacedSourceDropsWhenNobodyReads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	write(t, path, Format{48000, 1, PCM16}, ramp(48000))
	synctest.Test(t, func(t *testing.T) {
		s, err := NewSource(SourceConfig{Path: path, Pace: true})
		if err != nil {
			t.Fatal(err)
		}
		ring := capture.NewRing(1, 1024)
		if err := s.Run(t.Context(), ring); err != nil {
			t.Fatal(err)
		}
		if got := s.Counters().DroppedRing; got != 48000-960 || got != ring.Dropped() {
			t.Errorf("dropped %d", got)
		}
	})
}

// With patience nothing is lost however late the reader is: 0.5 s of silence amid it,
// more than the ring holds, and no gap.
func TestPatientSourceLosesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	write(t, path, Format{48000, 1, PCM16}, ramp(48000))
	synctest.Test(t, func(t *testing.T) {
		s, err := NewSource(SourceConfig{Path: path, Pace: true, Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		ring := capture.NewRing(1, 1024)
		done := make(chan error)
		go func() { done <- s.Run(t.Context(), ring) }()
		total, buf := 0, make([]float32, 512)
		for ring.Wait(t.Context()) == nil {
			n, _, gap := ring.Read(buf)
			if gap != (capture.Gap{}) {
				t.Errorf("%+v at %d", gap, total)
			}
			if total += n; total == 20*512 {
				time.Sleep(5 * time.Second)
			}
		}
		if err := <-done; err != nil || total != 48000 || s.Counters() != (capture.Counters{}) {
			t.Errorf("%d frames, %+v, %v", total, s.Counters(), err)
		}
	})
}

func TestSourceRefuses(t *testing.T) {
	dir := t.TempDir()
	slow, short := filepath.Join(dir, "slow.wav"), filepath.Join(dir, "short.wav")
	write(t, slow, Format{8000, 1, PCM16}, ramp(8000))
	write(t, short, Format{48000, 1, PCM16}, ramp(100))
	_, err := NewSource(SourceConfig{Path: slow})
	oneLine(t, err, "8000 Hz: convert it")
	_, err = NewSource(SourceConfig{Path: short, Loop: true})
	oneLine(t, err, "too short to loop")
	_, err = NewSource(SourceConfig{Path: filepath.Join(dir, "none.wav")})
	oneLine(t, err, "is not there")
}
