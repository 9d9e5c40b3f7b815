package device

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
)

// block is what a test read from the ring.
type block struct {
	sample uint64
	gap    capture.Gap
	data   []float32
}

// run captures from h for a made-up time and gives what the ring delivered and
// the source's state every 100 ms. Call it inside a synctest bubble.
func run(t *testing.T, h *fakeHost, cfg Config, during time.Duration) (s *Source, blocks []block, states []capture.Status) {
	t.Helper()
	s, err := openSource(h, cfg)
	if err != nil {
		t.Fatal(err)
	}
	ring := capture.NewRing(len(s.Info().Channels), 1<<18)
	ctx, cancel := context.WithTimeout(t.Context(), during)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, ring) }()
	read := make(chan struct{})
	go func() {
		defer close(read)
		buf := make([]float32, 1<<14)
		for ring.Wait(context.Background()) == nil {
			n, sample, gap := ring.Read(buf)
			blocks = append(blocks, block{sample, gap, append([]float32(nil), buf[:n*ring.Channels()]...)})
		}
	}()
	for ctx.Err() == nil {
		time.Sleep(100*time.Millisecond + time.Microsecond) // not in step with the blocks
		if ctx.Err() == nil {
			states = append(states, s.Status())
		}
	}
	if err := <-done; err != nil {
		t.Errorf("Run: %v", err)
	}
	<-read
	if st := s.Status(); st.State != capture.Ended {
		t.Errorf("state after Run is %v", st.State)
	}
	if acquired, streams := h.left(); acquired != 0 || streams != 0 {
		t.Errorf("left behind: %d acquired, %d streams", acquired, streams)
	}
	return s, blocks, states
}

// gaps are the discontinuities in blocks, without the start.
func gaps(blocks []block) (g []capture.Gap, at []uint64) {
	for _, b := range blocks {
		if b.gap.Cause != capture.NoGap {
			g = append(g, b.gap)
			at = append(at, b.sample)
		}
	}
	return g, at
}

func TestPicksChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		s, blocks, _ := run(t, h, Config{Reference: 7, Microphones: []int{2, 5}}, time.Second)
		if got := strings.Join(s.Info().Channels, "|"); got != "input 7|input 2|input 5" {
			t.Errorf("channels are %s", got)
		}
		next := 0
		for _, b := range blocks {
			for i := 0; i < len(b.data); i += 3 {
				n := float32(next)
				if b.data[i] != n+6./16 || b.data[i+1] != n+1./16 || b.data[i+2] != n+4./16 {
					t.Fatalf("frame %d is %v", next, b.data[i:i+3])
				}
				next++
			}
		}
		if next < 47000 {
			t.Errorf("%d frames in a second at 48 kHz", next)
		}
		if c := s.Counters(); c != (capture.Counters{}) {
			t.Errorf("trouble where there is none: %+v", c)
		}
	})
}

// losing makes the host lose frames in front of one buffer.
func losing(buffer, frames int, flagged bool) func(*fakeStream) {
	return func(s *fakeStream) {
		if s.buffers == buffer {
			s.n += frames
			s.buffers++ // once
			if flagged {
				s.err = errXrun
			}
		}
	}
}

func TestOverflowIsCountedMarkedAndGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = losing(200, 4800, true)
		s, blocks, states := run(t, h, Config{}, 5*time.Second)
		if c := s.Counters(); c.Overflows != 1 || c.LostFrames != 4800 {
			t.Errorf("counted %+v, want 1 overflow of 4800 frames", c)
		}
		g, _ := gaps(blocks)
		if len(g) != 1 || g[0] != (capture.Gap{Cause: capture.Overflow, LostFrames: 4800}) {
			t.Errorf("gaps %+v", g)
		}
		inStep(t, blocks, 2, 0)
		for _, st := range states {
			if st.State != capture.Running || st.Text != "" {
				t.Errorf("an overflow is not fatal, but the state is %+v", st)
			}
		}
	})
}

// inStep demands that the sample clock is the converter's after every gap, up
// to some frames.
func inStep(t *testing.T, blocks []block, channels, tolerance int) {
	t.Helper()
	for _, b := range blocks {
		if first := float64(b.data[0]); first != 0 && math.Abs(first-float64(b.sample)) > float64(tolerance) {
			t.Errorf("the converter's sample %.0f has index %d", first, b.sample)
		}
		for i := channels; i < len(b.data); i += channels {
			if b.data[i] != b.data[i-channels]+1 && b.data[i] != 0 && b.data[i-channels] != 0 {
				t.Errorf("samples %.0f and %.0f are neighbours in one block", b.data[i-channels], b.data[i])
			}
		}
	}
}

func TestLossThatTheHostHidesIsFound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = losing(300, 9600, false) // 0.2 s: shorter than a stall
		s, blocks, _ := run(t, h, Config{}, 8*time.Second)
		c := s.Counters()
		if c.Overflows != 0 || c.LostFrames < 9550 || c.LostFrames > 9650 {
			t.Errorf("counted %+v, want 9600 frames within 1 ms", c)
		}
		if last := blocks[len(blocks)-1]; math.Abs(float64(last.data[0])-float64(last.sample)) > 50 {
			t.Errorf("at the end the converter's sample %.0f has index %d", last.data[0], last.sample)
		}
	})
}

func TestLateIsNotLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			if s.buffers%97 == 50 {
				time.Sleep(300 * time.Millisecond) // then the buffers come in a burst
			}
		}
		s, blocks, _ := run(t, h, Config{}, 20*time.Second)
		if c := s.Counters(); c != (capture.Counters{}) {
			t.Errorf("counted %+v", c)
		}
		if g, _ := gaps(blocks); len(g) != 0 {
			t.Errorf("gaps %+v", g)
		}
	})
}

func TestStallIsSeenAndMarked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			if s.buffers == 200 { // 2 s
				time.Sleep(3 * time.Second)
			}
		}
		s, blocks, states := run(t, h, Config{}, 8*time.Second)
		if c := s.Counters(); c.Stalls != 1 || c.LostFrames != 0 {
			t.Errorf("counted %+v, want 1 stall and nothing lost: all came late", c)
		}
		g, at := gaps(blocks)
		if len(g) != 1 || g[0].Cause != capture.Stall || at[0] != 200*480 {
			t.Errorf("gaps %+v at %v", g, at)
		}
		for i, want := range map[int]capture.State{18: capture.Running, 23: capture.Running, 26: capture.Stalled, 48: capture.Stalled, 51: capture.Running} {
			if states[i].State != want {
				t.Errorf("after %.1f s the state is %v, want %v", float64(i+1)/10, states[i].State, want)
			}
		}
		if !strings.Contains(states[40].Text, "has delivered nothing for 2.") {
			t.Errorf("the text is %q", states[40].Text)
		}
	})
}

func TestRunsOfZerosAreMarkedAtBothEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			s.silent = s.buffers >= 100 && s.buffers < 104 || // 40 ms: may be sound
				s.buffers >= 200 && s.buffers < 500 // 3 s: may not
		}
		s, blocks, states := run(t, h, Config{}, 8*time.Second)
		if c := s.Counters(); c.ZeroRuns != 1 || c.LostFrames != 0 {
			t.Errorf("counted %+v, want one run of zeros", c)
		}
		g, at := gaps(blocks)
		// Recognized in the first block that takes the run over 50 ms, the sixth.
		if len(g) != 2 || g[0].Cause != capture.Zeros || g[1].Cause != capture.Zeros || at[0] != 205*480 || at[1] != 500*480 {
			t.Errorf("gaps %+v at %v, want two at 98400 and 240000", g, at)
		}
		if text := states[46].Text; !strings.Contains(text, "exact zeros for 3 s") {
			t.Errorf("after 4.7 s the text is %q", text)
		}
		if text := states[60].Text; text != "" {
			t.Errorf("after the zeros the text is %q", text)
		}
	})
}

// Nothing plays yet on a digital input: nothing was interrupted.
func TestZerosBeforeTheFirstSoundAreNoTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			s.silent = s.buffers < 300 || s.buffers >= 400 && s.buffers < 500
		}
		s, blocks, states := run(t, h, Config{}, 6*time.Second)
		if text := states[28].Text; !strings.Contains(text, "exact zeros for ") {
			t.Errorf("after 2.9 s the text is %q", text)
		}
		if c := s.Counters(); c != (capture.Counters{ZeroRuns: 1}) {
			t.Errorf("counted %+v, want the run amid the sound only", c)
		}
		if g, at := gaps(blocks); len(g) != 2 || at[0] != 405*480 || at[1] != 500*480 {
			t.Errorf("gaps %+v at %v, want those of the run amid the sound", g, at)
		}
	})
}

func TestZeroFramesWithinABlock(t *testing.T) {
	lead, trail := zeroFrames([]float32{0, 0, 0, 1, 0, 0, 0, 0, 0, 0}, 2)
	if lead != 1 || trail != 3 {
		t.Errorf("lead %d, trail %d, want 1 and 3", lead, trail)
	}
}

func TestLostDeviceIsLookedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			if s.buffers == 100 && s.p.device.index == 0 {
				s.err = errors.New("the cable was pulled")
				h.set()
				// It comes back under another number, behind another device.
				time.AfterFunc(4500*time.Millisecond, func() {
					again := interfaceOf8
					again.Name, again.index = "Interface (hw:3,0)", 1
					h.set(Device{Name: "Webcam", Host: "ALSA", Inputs: 1}, again)
				})
			}
		}
		s, blocks, states := run(t, h, Config{ID: "alsa/interface", Microphones: []int{8}}, 10*time.Second)
		g, at := gaps(blocks)
		// Lost at 1.00 s, looked for at 1, 2, … s, found at 6 s; a buffer later there is sound.
		if len(g) != 1 || g[0].Cause != capture.Reopened || math.Abs(float64(g[0].LostFrames)-5*48000) > 480 {
			t.Fatalf("gaps %+v at %v, want one of 5 s", g, at)
		}
		if at[0] != 100*480+g[0].LostFrames {
			t.Errorf("the sample clock goes on at %d", at[0])
		}
		if st := states[30]; st.State != capture.Lost || !strings.Contains(st.Text, "has gone") {
			t.Errorf("while it is away: %+v", st)
		}
		if st := states[65]; st.State != capture.Running || st.Text != "" {
			t.Errorf("when it is back: %+v", st)
		}
		if c := s.Counters(); c.Stalls != 0 || c.LostFrames != g[0].LostFrames {
			t.Errorf("counted %+v", c)
		}
	})
}

func TestOtherRateThanPromisedIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) { s.began = s.began.Add(-s.duration(s.p.frames) / 10) } // 10 % too fast
		_, _, states := run(t, h, Config{}, 25*time.Second)
		if text := states[len(states)-3].Text; !strings.Contains(text, "samples a second and not 48000") {
			t.Errorf("the text is %q", text)
		}
	})
}

// A host that hangs cannot be helped, but Run must come back and say so.
func TestHangingHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		letGo := make(chan struct{})
		h.event = func(s *fakeStream) {
			if s.buffers == 10 {
				<-letGo
			}
		}
		s, err := openSource(h, Config{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		began := time.Now()
		err = s.Run(ctx, capture.NewRing(2, 1<<16))
		if err == nil || !strings.Contains(err.Error(), "does not let go") {
			t.Errorf("Run: %v", err)
		}
		if took := time.Since(began); took > 3*time.Second+letGoLimit {
			t.Errorf("Run came back after %v", took)
		}
		close(letGo)
		synctest.Wait()
		if acquired, streams := h.left(); acquired != 0 || streams != 0 {
			t.Errorf("left behind: %d acquired, %d streams", acquired, streams)
		}
	})
}

// Whoever waits for the ring of a source that cannot run is told.
func TestRingOfAnotherWidth(t *testing.T) {
	s, err := openSource(newFake(t, interfaceOf8), Config{})
	if err != nil {
		t.Fatal(err)
	}
	ring := capture.NewRing(5, 64)
	if err := s.Run(t.Context(), ring); err == nil || !strings.Contains(err.Error(), "5 channels") {
		t.Errorf("Run: %v", err)
	}
	if err := ring.Wait(t.Context()); err != io.EOF {
		t.Errorf("Wait: %v", err)
	}
}

func TestFullRingDropsAndCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		s, err := openSource(h, Config{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.Run(ctx, capture.NewRing(2, 4096)); err != nil {
			t.Fatal(err)
		}
		if c := s.Counters(); c.DroppedRing < 40000 {
			t.Errorf("counted %+v with nobody reading", c)
		}
	})
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	h := newFake(t, interfaceOf8)
	s, err := openSource(h, Config{})
	if err != nil {
		t.Fatal(err)
	}
	c := &capturer{Source: s, out: capture.NewRing(2, 1<<12)}
	c.raw = make([]float32, s.params.frames*s.params.channels)
	c.picked = make([]float32, s.params.frames*2)
	drain := make([]float32, 1<<12)
	st := &fakeStream{host: h, p: s.params}
	allocs := testing.AllocsPerRun(200, func() {
		c.raw[0]++
		c.block(st, false)
		c.out.Read(drain)
	})
	if allocs != 0 {
		t.Errorf("%v allocations a block", allocs)
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	for _, tc := range []struct {
		name string
		cfg  Config
		set  func(*fakeHost)
		want string
		is   error
	}{
		{name: "unknown device", cfg: Config{ID: "alsa/nothing"}, want: `"alsa/nothing"; there are alsa/interface, alsa/camera`, is: capture.ErrNoDevice},
		{name: "output only", cfg: Config{ID: "alsa/speakers"}, want: `"alsa/speakers" has no input`, is: capture.ErrNoDevice},
		{name: "no devices", set: func(h *fakeHost) { h.set() }, want: "no audio input", is: capture.ErrNoDevice},
		{name: "unknown reference", cfg: Config{Reference: 9}, want: `has no channel 9: it has 1 to 8`},
		{name: "unknown microphone", cfg: Config{Microphones: []int{2, 12}}, want: `has no channel 12: it has 1 to 8`},
		{name: "microphone twice", cfg: Config{Microphones: []int{2, 2}}, want: `channel 2 is asked for as a microphone twice`},
		{name: "mono device", cfg: Config{ID: "alsa/camera"}, want: `has no channel 2: it has 1 to 1`},
		{name: "rate not taken", cfg: Config{SampleRateHz: 96000}, set: func(h *fakeHost) { h.ratesHz = []int{44100, 48000} }, want: "does not run at 96000 Hz: it takes 44100, 48000"},
		{name: "rate out of range", cfg: Config{SampleRateHz: 8000}, want: "choose one from 44100 to 192000 Hz"},
		{name: "another rate than asked", cfg: Config{SampleRateHz: 48000}, set: func(h *fakeHost) { h.runsAtHz = 44100 }, want: "runs at 44100 Hz and not at 48000 Hz"},
		{name: "short latency", cfg: Config{Latency: time.Millisecond}, want: "choose 100 ms to 2 s"},
		{name: "huge buffer", cfg: Config{FramesPerBuffer: 1 << 20}, want: "choose 64 to 2048"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			h := newFake(t, interfaceOf8,
				Device{Name: "Camera", Host: "ALSA", Inputs: 1, DefaultRateHz: 16000},
				Device{Name: "Speakers", Host: "ALSA", Outputs: 2})
			if tc.set != nil {
				tc.set(h)
			}
			_, err := openSource(h, tc.cfg)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Fatalf("error is %v, want ...%s...", err, tc.want)
			}
			if tc.is != nil && !errors.Is(err, tc.is) {
				t.Errorf("%v is not %v", err, tc.is)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
			if acquired, streams := h.left(); acquired != 0 || streams != 0 {
				t.Errorf("left behind: %d acquired, %d streams", acquired, streams)
			}
		})
	}
}

func TestRateIsTheDevicesWhereItRefuses48k(t *testing.T) {
	h := newFake(t, interfaceOf8)
	h.ratesHz = []int{44100}
	s, err := openSource(h, Config{})
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Info().SampleRateHz; got != 44100 {
		t.Errorf("the rate is %d", got)
	}
}

func TestIDsSurviveReplugging(t *testing.T) {
	devs := []Device{
		{Host: "ALSA", Name: "USB Audio: Pro 8x8 (hw:1,0)"},
		{Host: "ALSA", Name: "USB Audio: Pro 8x8 (hw:4,0)"},
		{Host: "Core Audio", Name: "Built-in Microphone"},
		{Host: "Windows WASAPI", Name: "Mikrofon (Größe)"},
		{Host: "ALSA", Name: "???"},
	}
	name(devs)
	for i, want := range []string{
		"alsa/usb-audio-pro-8x8", "alsa/usb-audio-pro-8x8-2", "core-audio/built-in-microphone",
		"windows-wasapi/mikrofon-größe", "alsa/unnamed",
	} {
		if devs[i].ID != want {
			t.Errorf("%q is %q, want %q", devs[i].Name, devs[i].ID, want)
		}
	}
}
