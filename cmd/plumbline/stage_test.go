package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/capture/device"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/setup"
	"plumbline/cmd/plumbline/survey"
)

// stage stands in for the devices of a computer: behind the inputs of each is the virtual
// rig, and a cable from the first output to one of the inputs.
type stage struct {
	mu    sync.Mutex
	boxes []stageBox
	rig   rig.Scene
	open  int // sources that run

	says atomic.Pointer[capture.Status] // of the source that runs; nil: it is well
	away atomic.Bool                    // it is unplugged
}

// stageBox is a device and how it is connected. Inputs count from 1.
type stageBox struct {
	device.Device
	reference, microphone int
	loopback              int // where the cable from output 1 ends
	ratesHz               []int
	cable                 *cable
	rest                  float32 // on the other inputs: what a converter hears without anything connected
}

// tripFrames is how long the cable takes beside what the program itself takes.
const tripFrames = 2400

// setStage puts devices in place of the computer's for a test.
func setStage(t *testing.T, boxes ...stageBox) *stage {
	t.Helper()
	s := &stage{rig: rig.Demo(), boxes: boxes}
	for i := range s.boxes {
		s.boxes[i].cable = &cable{frames: make(chan float32, 2*tripFrames)}
	}
	was := audio
	audio = s
	t.Cleanup(func() { audio = was })
	return s
}

func box(id, name string, inputs, outputs int) stageBox {
	return stageBox{Device: device.Device{ID: id, Name: name, Host: "Stage", Inputs: inputs, Outputs: outputs, DefaultRateHz: 48000},
		reference: 1, microphone: 2, loopback: 1, ratesHz: []int{44100, 48000, 96000}}
}

func (s *stage) List() (all []device.Device, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.boxes {
		all = append(all, b.Device)
	}
	return all, nil
}

func (s *stage) box(id string) (stageBox, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.boxes, func(b stageBox) bool { return b.ID == id })
	if i < 0 {
		return stageBox{}, fmt.Errorf("%w: %q", capture.ErrNoDevice, id)
	}
	return s.boxes[i], nil
}

func (s *stage) Open(cfg device.Config) (capture.Source, error) {
	b, err := s.box(cfg.ID)
	if err != nil {
		return nil, err
	}
	scene := s.rig
	if cfg.SampleRateHz != 0 {
		scene.RateHz = cfg.SampleRateHz
	}
	if !slices.Contains(b.ratesHz, scene.RateHz) {
		return nil, fmt.Errorf("open input %q at %d Hz: it takes %v", b.ID, scene.RateHz, b.ratesHz)
	}
	room, err := rig.New(scene, rig.Config{Pace: true, Patient: true})
	if err != nil {
		return nil, err
	}
	src := &stageSource{stage: s, box: b, room: room}
	src.info = capture.Info{Kind: "device", Name: b.Name, Identity: b.ID, SampleRateHz: scene.RateHz}
	for ch := range 1 + len(cfg.Microphones) {
		src.info.Channels = append(src.info.Channels, fmt.Sprintf("input %d", ch+1))
	}
	return src, nil
}

func (s *stage) Output(cfg device.OutputConfig) (setup.Output, error) {
	b, err := s.box(cfg.ID)
	return &stageOutput{cable: b.cable, channels: cfg.Channels}, err
}

func (s *stage) Player(cfg survey.OutputConfig) (survey.Player, error) {
	_, err := s.box(cfg.ID)
	return nil, err
}

// stageSource is a device that is captured.
type stageSource struct {
	stage *stage
	box   stageBox
	room  *rig.Rig
	info  capture.Info
}

func (s *stageSource) Info() capture.Info { return s.info }
func (s *stageSource) Status() capture.Status {
	if says := s.stage.says.Load(); says != nil {
		return *says
	}
	return s.room.Status()
}
func (s *stageSource) Counters() capture.Counters { return s.room.Counters() }

func (s *stageSource) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	s.stage.mu.Lock()
	s.stage.open++
	alone := s.stage.open == 1
	s.stage.mu.Unlock()
	defer func() {
		s.stage.mu.Lock()
		defer s.stage.mu.Unlock()
		s.stage.open--
	}()
	if !alone {
		return fmt.Errorf("%s is open while another device is", s.info.Name)
	}
	heard := capture.NewRing(len(s.room.Info().Channels), s.info.SampleRateHz/10)
	ended := make(chan error, 1)
	go func() { ended <- s.room.Run(ctx, heard) }()
	in, n := heard.Channels(), len(s.info.Channels)
	missed := 0
	block, frame := make([]float32, 480*in), make([]float32, 480*n)
	for heard.Wait(ctx) == nil {
		frames, _, gap := heard.Read(block)
		if gap != (capture.Gap{}) {
			out.Mark(gap)
		}
		if s.stage.away.Load() {
			missed += frames
			continue
		}
		if missed > 0 {
			out.Mark(capture.Gap{Cause: capture.Reopened, LostFrames: uint64(missed)})
			missed = 0
		}
		for i := range frames {
			to := frame[i*n : (i+1)*n]
			for ch := range to {
				to[ch] = s.box.rest * block[i*in+1]
			}
			put := func(input int, x float32) {
				if input >= 1 && input <= n {
					to[input-1] += x
				}
			}
			if x, playing := s.box.cable.carry(ctx); playing { // the programme pauses meanwhile, as the page asks
				put(s.box.loopback, x)
			} else {
				put(s.box.reference, block[i*in])
				put(s.box.microphone, block[i*in+1])
			}
		}
		if err := out.Offer(ctx, frame[:frames*n]); err != nil {
			break
		}
	}
	return <-ended
}

// cable leads from an output to an input, and loses nothing on a busy machine: while
// something plays, the input waits for it.
type cable struct {
	frames  chan float32 // played, and heard by nobody yet
	playing atomic.Bool
}

// carry is the next frame, if something plays.
func (c *cable) carry(ctx context.Context) (x float32, playing bool) {
	for c.playing.Load() {
		select {
		case x := <-c.frames:
			return x, true
		case <-ctx.Done():
			return 0, false
		case <-time.After(time.Millisecond): // it may have stopped meanwhile
		}
	}
	select {
	case x := <-c.frames:
		return x, true
	default:
		return 0, false
	}
}

// stageOutput plays into the cable.
type stageOutput struct {
	cable    *cable
	channels int
}

func (o *stageOutput) Play(ctx context.Context, fill func([]float32)) error {
	for range tripFrames {
		o.cable.frames <- 0
	}
	o.cable.playing.Store(true)
	defer o.cable.playing.Store(false)
	block := make([]float32, 480*o.channels)
	for {
		clear(block)
		fill(block)
		for i := 0; i < len(block); i += o.channels {
			select {
			case o.cable.frames <- block[i]:
			case <-ctx.Done():
				return nil
			}
		}
	}
}
