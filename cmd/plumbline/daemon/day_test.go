package daemon

import (
	"context"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/capture/signal"
	"plumbline/capture/wavfile"
)

// day is a virtual rig that plays as fast as all who listen keep up, the same loop again
// and again, and whose clock is that of its sound. It rests until it is asked for loops.
type day struct {
	*rig.Rig
	noise  []float32 // of a loop, at every microphone: the rig's own does not repeat
	asked  chan int
	rested chan struct{}
	heard  atomic.Uint64 // frames, by the pump
	rooms  []*capture.Ring
	began  time.Time
}

// loopStep is what a loop's length is a multiple of, samples: it is a whole number of
// frames, 2400 samples each, and of the hops of all windows, so that whatever counts
// them stands in each loop where it stood in the one before.
const loopStep = 75 << 13

// newDay makes a day of loops of so many samples, a multiple of loopStep.
func newDay(t *testing.T, loop int) *day {
	t.Helper()
	scene := rig.Demo()
	noise := func(level float64, seed uint64) []float32 {
		g, err := signal.New(signal.Config{Kind: signal.Pink, SampleRateHz: scene.RateHz, LevelDBFS: level, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, loop)
		g.Fill(x)
		out := make([]float32, loop)
		for i, v := range x {
			out[i] = float32(v)
		}
		return out
	}
	path := filepath.Join(t.TempDir(), "loop.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: scene.RateHz, Channels: 1, Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(noise(scene.Programme.LevelDBFS, 1)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	d := &day{noise: noise(scene.Noise.LevelDBFS, 2), asked: make(chan int), rested: make(chan struct{}), began: time.Now().Round(0)}
	scene.Programme.Kind, scene.Programme.File, scene.Noise.LevelDBFS = rig.File, path, rig.NoNoise
	if d.Rig, err = rig.New(scene, rig.Config{}); err != nil {
		t.Fatal(err)
	}
	return d
}

// Run implements capture.Source.
func (s *day) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	channels := out.Channels()
	own := capture.NewRing(channels, 4096)
	ended := make(chan error, 1)
	go func() { ended <- s.Rig.Run(ctx, own) }()
	block := make([]float32, 512*channels)
	for loops := range s.asked {
		for at, end := 0, loops*len(s.noise); at < end; {
			if err := own.Wait(ctx); err != nil {
				return <-ended
			}
			n, _, gap := own.Read(block[:min(512, end-at)*channels])
			if gap != (capture.Gap{}) {
				out.Mark(gap)
			}
			for i := range n {
				for c := 1; c < channels; c++ {
					block[i*channels+c] += s.noise[(at+i)%len(s.noise)]
				}
			}
			s.wait(ctx)
			if err := out.Offer(ctx, block[:n*channels]); err != nil {
				return <-ended
			}
			at += n
		}
		s.rested <- struct{}{}
	}
	return <-ended
}

// wait returns when there is room for the next block in every ring that loses what does
// not fit.
func (s *day) wait(ctx context.Context) {
	for _, r := range s.rooms {
		for r.Len() > r.Cap()/4 && ctx.Err() == nil {
			time.Sleep(100 * time.Microsecond)
		}
	}
}

// elapsed is how long the day has gone on, by its sound.
func (s *day) elapsed() time.Duration {
	return time.Duration(s.heard.Load()) * time.Second / time.Duration(s.Info().SampleRateHz)
}

// clock is the day's: of the wall, and steady.
func (s *day) clock() (wall time.Time, steady time.Duration) {
	e := s.elapsed()
	return s.began.Add(e), e
}

// config completes a daemon's.
func (s *day) config(cfg Config) Config {
	cfg.Source, cfg.Rig = s, s.Rig
	cfg.levelClock = s.clock
	cfg.Now = func() time.Time { wall, _ := s.clock(); return wall }
	channels := len(s.Info().Channels)
	cfg.Hear = func(block []float32, _ bool) { s.heard.Add(uint64(len(block) / channels)) }
	return cfg
}

// play has the day go on for so many loops, does what is to be done meanwhile, and returns
// when all have heard them.
func (s *day) play(t *testing.T, d *Daemon, loops int, meanwhile func()) {
	t.Helper()
	s.asked <- loops
	meanwhile()
	<-s.rested
	eventually(t, "all have heard it", func() bool {
		for _, r := range s.rooms {
			if r.Len() > 0 {
				return false
			}
		}
		return d.ring.Len() == 0
	})
}
