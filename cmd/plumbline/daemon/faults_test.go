package daemon

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/stream/wire"
)

// tampered is a rig that is played through a device with faults: what it says of itself,
// and what becomes of each block.
type tampered struct {
	*rig.Rig
	status atomic.Pointer[capture.Status]
	tamper atomic.Pointer[func(block []float32, out *capture.Ring) (pass bool)]
	lost   atomic.Uint64
}

func (s *tampered) Status() capture.Status     { return *s.status.Load() }
func (s *tampered) Counters() capture.Counters { return capture.Counters{LostFrames: s.lost.Load()} }

func (s *tampered) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	own := capture.NewRing(out.Channels(), 8192)
	done := make(chan error, 1)
	go func() { done <- s.Rig.Run(ctx, own) }()
	block := make([]float32, 512*out.Channels())
	for own.Wait(ctx) == nil {
		n, _, gap := own.Read(block)
		if gap != (capture.Gap{}) {
			out.Mark(gap)
		}
		if b := block[:n*out.Channels()]; (*s.tamper.Load())(b, out) {
			out.Write(b)
		}
	}
	return <-done
}

// lose marks frames as lost in front of the next.
func (s *tampered) lose(out *capture.Ring, cause capture.GapCause, frames int) {
	s.lost.Add(uint64(frames))
	out.Mark(capture.Gap{Cause: cause, LostFrames: uint64(frames)})
}

// Each fault of a source, from its samples to what the pages are told, what the health
// says, and on when it is over: the sentence of before comes back by itself, nobody
// restarts anything, and all that was lost is in the clock. The sentences of the devices
// are those of capture/device, where TestOverflowStorm, TestRunsOfZerosAreMarkedAtBothEnds,
// TestLostDeviceIsLookedFor, TestTheRateIsChangedUnderUs and TestTheComputerSleeps have them.
func TestFaultsOfTheSourceAreSurvived(t *testing.T) {
	well := func([]float32, *capture.Ring) bool { return true }
	synctest.Test(t, func(t *testing.T) {
		r, err := rig.New(rig.Demo(), rig.Config{Pace: true})
		if err != nil {
			t.Fatal(err)
		}
		s := &tampered{Rig: r}
		behave := func(state capture.State, text string, how func([]float32, *capture.Ring) bool) {
			s.status.Store(&capture.Status{State: state, Text: text})
			s.tamper.Store(&how)
		}
		behave(capture.Running, "", well)
		d, err := New(Config{Source: s, Rig: r})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- d.Run(ctx, newDeafListener()) }()
		v := &venue{t, d, r, nil}
		verdict := func() string {
			var all wire.Verdicts
			v.ask("GET", "/api/v1/verdict", nil, &all)
			return all.Verdicts[0].Text
		}
		health := func() (int, string) {
			res := httptest.NewRecorder()
			d.server.ServeHTTP(res, httptest.NewRequest("GET", "http://localhost/api/v1/health", nil))
			var h struct{ Faults []wire.Fault }
			if err := json.Unmarshal(res.Body.Bytes(), &h); err != nil {
				t.Fatal(err)
			}
			if len(h.Faults) == 0 {
				return res.Code, ""
			}
			return res.Code, h.Faults[0].Code
		}
		v.wait(4 * time.Second)
		const measured = "Arrival 1 at 22.4 ms; " // of the demo's main, 7.7 m away
		if status, code := health(); status != 200 || code != "" || !strings.HasPrefix(verdict(), measured) {
			t.Fatalf("%d %s, %s", status, code, verdict())
		}

		swallowed, blocks := 0, 0
		swallow := func(b []float32, _ *capture.Ring) bool { swallowed += len(b) / len(r.Info().Channels); return false }
		for _, c := range []struct {
			name  string
			state capture.State
			text  string
			how   func([]float32, *capture.Ring) bool
			// verdict and page have one of these in them each, health the code.
			verdict, code string
			cause         capture.GapCause // with which it goes on
		}{
			{"unplugged", capture.Lost, `input "alsa/interface" has gone: connect it again, it is looked for every second`, swallow,
				"has gone: connect it again", wire.FaultLost, capture.Reopened},
			{"another rate", capture.Lost, `input "alsa/interface" is there and does not open, it is tried every second: input "alsa/interface" runs at 44100 Hz and not at 48000 Hz`, swallow,
				"runs at 44100 Hz and not at 48000 Hz", wire.FaultLost, capture.Reopened},
			{"asleep", capture.Stalled, `input "alsa/interface" has delivered nothing for 4.0 s: check the device and the system's sound`, swallow,
				"has delivered nothing", wire.FaultStalled, capture.Stall},
			{"exact zeros", capture.Running, `input "alsa/interface" has delivered exact zeros for 3 s: unmute it`, func(b []float32, _ *capture.Ring) bool { clear(b); return true },
				"Nothing on the reference", wire.FaultDoubtful, capture.Zeros},
			{"overflow storm", capture.Running, `input "alsa/interface" has lost samples in 4 of the last 10 s: end other programs`, func(b []float32, out *capture.Ring) bool {
				if blocks++; blocks%8 == 0 {
					s.lose(out, capture.Overflow, 960)
				}
				return true
			}, "", wire.FaultDoubtful, capture.NoGap},
		} {
			clock := v.frame().Sample
			lost := s.lost.Load()
			swallowed = 0
			began := time.Now()
			behave(c.state, c.text, c.how)
			v.wait(2500 * time.Millisecond)
			if src := d.State().Source; src.State != c.state.String() || src.Text != c.text {
				t.Errorf("%s: the page is told %s, %q", c.name, src.State, src.Text)
			}
			if said := verdict(); !strings.Contains(said, c.verdict) {
				t.Errorf("%s: %s", c.name, said)
			}
			if status, code := health(); status != 503 || code != c.code {
				t.Errorf("%s: health is %d %s", c.name, status, code)
			}

			back := func(b []float32, out *capture.Ring) bool {
				if c.cause != capture.NoGap {
					s.lose(out, c.cause, swallowed)
				}
				s.tamper.Store(&well)
				return true
			}
			behave(capture.Running, "", back)
			v.wait(3 * time.Second)
			if said := verdict(); !strings.HasPrefix(said, measured) {
				t.Errorf("%s is over, and it says %s", c.name, said)
			}
			if status, code := health(); status != 200 || code != "" {
				t.Errorf("%s is over, and the health is %d %s", c.name, status, code)
			}
			// Swallowed frames are back as lost ones; those of a storm come on top.
			want := time.Since(began).Seconds()*float64(r.Info().SampleRateHz) + float64(s.lost.Load()-lost) - float64(swallowed)
			if got := float64(v.frame().Sample - clock); got < want-4800 || got > want+4800 {
				t.Errorf("%s: the clock went on by %.0f samples, want %.0f", c.name, got, want)
			}
		}
		if c := d.State().Counters; c.Gaps < 20 || c.LostFrames != s.lost.Load() {
			t.Errorf("counted %+v", c)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}
