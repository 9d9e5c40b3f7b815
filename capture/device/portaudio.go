//go:build cgo && !nodevices

package device

import (
	"errors"
	"fmt"
	"sync"

	"github.com/gordonklaus/portaudio"

	"plumbline/capture"
)

// system is PortAudio. It is global because PortAudio is.
var system host = &paHost{}

// paHost serializes the calls of PortAudio that touch its global state.
type paHost struct{ mu sync.Mutex }

func (h *paHost) acquire() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	defer quiet()()
	if err := portaudio.Initialize(); err != nil {
		return fmt.Errorf("start PortAudio: %w", err)
	}
	return nil
}

func (h *paHost) release() {
	h.mu.Lock()
	defer h.mu.Unlock()
	defer quiet()()
	_ = portaudio.Terminate() // fails only without a matching Initialize
}

func (h *paHost) devices() ([]Device, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	infos, err := portaudio.Devices()
	if err != nil {
		return nil, fmt.Errorf("list audio devices: %w", err)
	}
	in, _ := portaudio.DefaultInputDevice() // none is no error here
	out, _ := portaudio.DefaultOutputDevice()
	all := make([]Device, len(infos))
	for i, d := range infos {
		all[i] = Device{
			Name:          d.Name,
			Host:          d.HostApi.Name, // not Type.String, which panics on types newer than the binding
			Inputs:        d.MaxInputChannels,
			Outputs:       d.MaxOutputChannels,
			DefaultRateHz: int(d.DefaultSampleRate + 0.5),
			DefaultInput:  d == in,
			DefaultOutput: d == out,
			index:         i,
		}
	}
	name(all)
	return all, nil
}

func (h *paHost) supports(p streamParams) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	defer quiet()()
	pp, err := parameters(p)
	if err != nil {
		return err
	}
	buf := make([]float32, p.channels)
	return portaudio.IsFormatSupported(pp, buf)
}

func (h *paHost) open(p streamParams, buf []float32) (stream, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	defer quiet()()
	pp, err := parameters(p)
	if err != nil {
		return nil, err
	}
	nextID = 0
	s, err := portaudio.OpenStream(pp, buf)
	switch {
	case errors.Is(err, portaudio.InvalidSampleRate):
		return nil, errRate
	case errors.Is(err, portaudio.InvalidChannelCount):
		return nil, errChannels
	case errors.Is(err, portaudio.DeviceUnavailable):
		return nil, errors.New("not available: another program may hold it")
	case errors.Is(err, portaudio.InvalidDevice) && p.device.Host == "Windows WASAPI":
		// In shared mode it takes the system's rate only, and blames the device.
		return nil, errRate
	case err != nil:
		return nil, err
	}
	return &paStream{Stream: s, host: h, dir: p.dir}, nil
}

// parameters turns ours into PortAudio's. The lock is held.
func parameters(p streamParams) (portaudio.StreamParameters, error) {
	infos, err := portaudio.Devices()
	if err != nil {
		return portaudio.StreamParameters{}, err
	}
	if p.device.index >= len(infos) {
		return portaudio.StreamParameters{}, capture.ErrDeviceLost
	}
	side := portaudio.StreamDeviceParameters{
		Device:   infos[p.device.index],
		Channels: p.channels,
		Latency:  p.latency,
	}
	pp := portaudio.StreamParameters{SampleRate: float64(p.rateHz), FramesPerBuffer: p.frames}
	if p.dir == input {
		pp.Input = side
	} else {
		pp.Output = side
	}
	return pp, nil
}

// paStream is an open PortAudio stream.
type paStream struct {
	*portaudio.Stream
	host *paHost
	dir  direction
}

func (s *paStream) start() error { return s.Start() }

func (s *paStream) transfer() error {
	var err error
	if s.dir == input {
		err = s.Read()
	} else {
		err = s.Write()
	}
	if err == portaudio.InputOverflowed || err == portaudio.OutputUnderflowed {
		return errXrun
	}
	return err
}

func (s *paStream) rateHz() float64 {
	if info := s.Info(); info != nil {
		return info.SampleRate
	}
	return 0
}

func (s *paStream) ready() int {
	n, err := 0, error(nil)
	if s.dir == input {
		n, err = s.AvailableToRead()
	} else {
		n, err = s.AvailableToWrite()
	}
	if err != nil {
		return 0
	}
	return n
}

func (s *paStream) abort() error { return s.Abort() }

func (s *paStream) close() error {
	s.host.mu.Lock()
	defer s.host.mu.Unlock()
	return s.Close()
}
