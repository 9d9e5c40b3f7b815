package device

import (
	"sync"
	"testing"
	"time"
)

// fakeHost is a sound system without hardware. Its converters run by the clock,
// which under synctest is a made-up one, and sample n of channel c is n + c/16,
// so that a test sees where every sample comes from.
type fakeHost struct {
	t *testing.T

	mu       sync.Mutex
	devs     []Device
	ratesHz  []int // that are taken; nil: all
	runsAtHz int   // whatever was asked for; 0: as asked
	acquired int
	streams  int
	startErr error

	// event is asked before each buffer is handed out.
	event func(s *fakeStream)
}

func newFake(t *testing.T, devs ...Device) *fakeHost {
	name(devs)
	return &fakeHost{t: t, devs: devs}
}

var interfaceOf8 = Device{Name: "Interface (hw:1,0)", Host: "ALSA", Inputs: 8, Outputs: 2, DefaultRateHz: 44100, DefaultInput: true, DefaultOutput: true}

func (h *fakeHost) acquire() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.acquired++
	return nil
}

func (h *fakeHost) release() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.acquired--
}

func (h *fakeHost) devices() ([]Device, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.acquired == 0 {
		h.t.Error("devices listed without acquire")
	}
	return append([]Device(nil), h.devs...), nil
}

func (h *fakeHost) set(devs ...Device) {
	name(devs)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.devs = devs
}

// runAt has the devices run at another rate than asked for; 0: as asked.
func (h *fakeHost) runAt(hz int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.runsAtHz = hz
}

func (h *fakeHost) supports(p streamParams) error {
	for _, hz := range h.ratesHz {
		if hz == p.rateHz {
			return nil
		}
	}
	if h.ratesHz == nil {
		return nil
	}
	return errRate
}

func (h *fakeHost) open(p streamParams, buf []float32) (stream, error) {
	if err := h.supports(p); err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.streams++
	return &fakeStream{host: h, p: p, buf: buf}, nil
}

// left says what is still open.
func (h *fakeHost) left() (acquired, streams int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.acquired, h.streams
}

// fakeStream is one stream of a fakeHost.
type fakeStream struct {
	host *fakeHost
	p    streamParams
	buf  []float32

	mu       sync.Mutex
	reading  bool
	began    time.Time
	buffers  int // handed out
	n        int // index of the next frame
	silent   bool
	err      error // of this transfer
	finished [][]float32
}

func (s *fakeStream) start() error {
	s.began = time.Now()
	return s.host.startErr
}

func (s *fakeStream) transfer() error {
	s.enter()
	defer s.leave()
	s.err, s.silent = nil, false
	if s.host.event != nil {
		s.host.event(s)
	}
	if s.err != nil && s.err != errXrun {
		return s.err
	}
	s.buffers++
	if s.p.dir == output {
		time.Sleep(s.duration(s.p.frames))
		s.finished = append(s.finished, append([]float32(nil), s.buf...))
		return s.err
	}
	s.n += s.p.frames
	time.Sleep(time.Until(s.began.Add(s.duration(s.n)))) // until the converter has them
	for i := range s.buf {
		s.buf[i] = float32(s.n-s.p.frames+i/s.p.channels) + float32(i%s.p.channels)/16
	}
	if s.silent {
		clear(s.buf)
	}
	return s.err
}

func (s *fakeStream) duration(frames int) time.Duration {
	return time.Duration(frames) * time.Second / time.Duration(s.p.rateHz)
}

func (s *fakeStream) enter() { s.mu.Lock(); s.reading = true; s.mu.Unlock() }
func (s *fakeStream) leave() { s.mu.Lock(); s.reading = false; s.mu.Unlock() }

func (s *fakeStream) idle(what string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.reading {
		s.host.t.Errorf("%s while another goroutine reads", what)
	}
}

func (s *fakeStream) rateHz() float64 {
	s.host.mu.Lock()
	defer s.host.mu.Unlock()
	if s.host.runsAtHz != 0 {
		return float64(s.host.runsAtHz)
	}
	return float64(s.p.rateHz)
}

func (s *fakeStream) abort() error { s.idle("abort"); return nil }

// ready: an input holds nothing back, an output has three buffers.
func (s *fakeStream) ready() int {
	if s.p.dir == output {
		return 3 * s.p.frames
	}
	return 0
}

func (s *fakeStream) close() error {
	s.idle("close")
	s.host.mu.Lock()
	defer s.host.mu.Unlock()
	s.host.streams--
	return nil
}
