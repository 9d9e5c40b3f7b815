package wavfile

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"sync/atomic"

	"plumbline/capture"
)

// A rate outside this is no measurement recording.
const (
	minSourceRateHz = 44100
	maxSourceRateHz = 192000
)

// SourceConfig says what to replay and how.
type SourceConfig struct {
	Path string
	Loop bool // start again at the end, with a capture.Seam gap in front
	Pace bool // at the pace of the clock, else as fast as the ring takes it
	// Patient has the clock wait for who is late, as that of no device does: on a busy
	// machine the sound comes late then, and none is lost.
	Patient bool
}

// Source replays a file. It implements capture.Source.
type Source struct {
	cfg   SourceConfig
	info  capture.Info
	state atomic.Int32
	full  atomic.Uint64 // frames that did not fit the ring

	stalls, lost atomic.Uint64 // times that it stood still, and frames of that
}

// NewSource checks the file and starts nothing. Files shorter than 0.1 s do not
// loop.
func NewSource(cfg SourceConfig) (*Source, error) {
	f, err := Open(cfg.Path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	format := f.Format()
	switch {
	case format.SampleRateHz < minSourceRateHz || format.SampleRateHz > maxSourceRateHz:
		return nil, fmt.Errorf("%s has a sample rate of %d Hz: convert it to one of %d…%d Hz",
			cfg.Path, format.SampleRateHz, minSourceRateHz, maxSourceRateHz)
	case cfg.Loop && f.Frames() < int64(format.SampleRateHz/10):
		return nil, fmt.Errorf("%s is too short to loop: %d frames where %d are needed",
			cfg.Path, f.Frames(), format.SampleRateHz/10)
	}
	s := &Source{cfg: cfg, info: capture.Info{
		Kind:         "file",
		Name:         filepath.Base(cfg.Path),
		SampleRateHz: format.SampleRateHz,
	}}
	for c := range format.Channels {
		s.info.Channels = append(s.info.Channels, "channel "+strconv.Itoa(c+1))
	}
	return s, nil
}

// Info implements capture.Source.
func (s *Source) Info() capture.Info { return s.info }

// Status implements capture.Source.
func (s *Source) Status() capture.Status {
	st := capture.Status{State: capture.State(s.state.Load())}
	if st.State == capture.Ended {
		st.Text = "the file has ended"
	}
	return st
}

// Counters implements capture.Source.
func (s *Source) Counters() capture.Counters {
	return capture.Counters{DroppedRing: s.full.Load(), Stalls: s.stalls.Load(), LostFrames: s.lost.Load()}
}

// Run implements capture.Source. Out must have as many channels as the file.
func (s *Source) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	f, err := Open(s.cfg.Path)
	if err != nil {
		return err
	}
	defer f.Close()
	defer s.state.Store(int32(capture.Ended))
	if f.Format().Channels != out.Channels() || f.Format().SampleRateHz != s.info.SampleRateHz {
		return fmt.Errorf("%s has changed since it was opened: start again", s.cfg.Path)
	}
	block := make([]float32, s.info.SampleRateHz/100*out.Channels()) // 10 ms
	pace := capture.NewPacer(s.info.SampleRateHz)
	pace.Patient = s.cfg.Patient
	for at := int64(0); ; {
		n, err := f.ReadInterleaved(block, at)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		at += int64(n)
		samples := block[:n*out.Channels()]
		if s.cfg.Pace {
			lost, err := pace.Wait(ctx, n)
			if err != nil {
				return nil
			}
			if lost > 0 {
				s.stalls.Add(1)
				s.lost.Add(lost)
				out.Mark(capture.Gap{Cause: capture.Stall, LostFrames: lost})
			}
		}
		if !s.cfg.Pace || s.cfg.Patient {
			if out.Offer(ctx, samples) != nil {
				return nil
			}
		} else if !out.Write(samples) {
			s.full.Add(uint64(n))
		}
		s.state.Store(int32(capture.Running))
		if at >= f.Frames() {
			if !s.cfg.Loop {
				return nil
			}
			at = 0
			out.Mark(capture.Gap{Cause: capture.Seam})
		}
	}
}
