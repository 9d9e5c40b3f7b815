package device

import (
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
)

// An overflow storm: every tenth buffer loses some. All is counted and in the clock, one
// sentence says so while it lasts and for as long as it is in view, and a hitch has none.
func TestOverflowStorm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		h.event = func(s *fakeStream) {
			if one := s.buffers == 200; one || s.buffers >= 1500 && s.buffers < 2500 && s.buffers%10 == 0 {
				s.n += 960
				s.err = errXrun
			}
		}
		s, blocks, states := run(t, h, Config{}, 60*time.Second)
		c := s.Counters()
		if c.Overflows != 101 || math.Abs(float64(c.LostFrames)-101*960) > 101 {
			t.Errorf("counted %+v, want 101 overflows of 960 frames", c)
		}
		if last := blocks[len(blocks)-1]; math.Abs(float64(last.data[0])-float64(last.sample)) > 101 {
			t.Errorf("at the end the converter's sample %.0f has index %d", last.data[0], last.sample)
		}
		said := 0
		for i, st := range states {
			at := float64(i+1) / 10
			if st.State != capture.Running {
				t.Fatalf("after %.1f s the state is %v", at, st.State)
			}
			if st.Text != "" {
				said++
				if !strings.Contains(st.Text, `input "alsa/interface" has lost samples in `) || !strings.Contains(st.Text, " of the last 10 s: end other programs") {
					t.Fatalf("after %.1f s the text is %q", at, st.Text)
				}
			}
			// It begins at 15 s of sound and 2 s lost; within 4 s it is told, and 10 s after its end no more.
			if in := at > 20 && at < 26; in && st.Text == "" || (at < 15 || at > 40) && st.Text != "" {
				t.Errorf("after %.1f s the text is %q", at, st.Text)
			}
		}
		if said < 100 {
			t.Errorf("it was said for %.1f s", float64(said)/10)
		}
	})
}

// The computer sleeps for an hour with the device open, by a clock that goes on meanwhile:
// the hour is one gap in the clock, and it takes up again by itself, whether the host says
// that samples were lost or only hands out the next.
func TestTheComputerSleeps(t *testing.T) {
	for _, flagged := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newFake(t, interfaceOf8)
			h.event = func(s *fakeStream) {
				if s.buffers == 500 {
					time.Sleep(time.Hour)
					s.n += 3600 * 48000
					s.buffers++ // once
					if flagged {
						s.err = errXrun
					}
				}
			}
			s, blocks, states := run(t, h, Config{}, time.Hour+20*time.Second)
			g, at := gaps(blocks)
			lost := uint64(0)
			for _, gap := range g {
				lost += gap.LostFrames
			}
			if len(g) == 0 || at[0] < 500*480 || math.Abs(float64(lost)-3600*48000) > 960 || s.Counters().LostFrames != lost {
				t.Errorf("flagged %v: gaps %+v at %v, counted %+v; want an hour", flagged, g, at, s.Counters())
			}
			if text := states[30*60*10].Text; !strings.Contains(text, "has delivered nothing for ") {
				t.Errorf("flagged %v: in its sleep the text is %q", flagged, text)
			}
			if last := blocks[len(blocks)-1]; math.Abs(float64(last.data[0])-float64(last.sample)) > 960 {
				t.Errorf("flagged %v: at the end the converter's sample %.0f has index %d", flagged, last.data[0], last.sample)
			}
			if st := states[len(states)-3]; st.State != capture.Running || st.Text != "" {
				t.Errorf("flagged %v: awake again: %+v", flagged, st)
			}
		})
	}
}

// The rate is changed under us: the stream breaks off, and while the device has another
// rate than the measurement, that is what is said. When it is set back it goes on.
func TestTheRateIsChangedUnderUs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		changed := false
		h.event = func(s *fakeStream) {
			if s.buffers == 500 && !changed {
				changed = true
				s.err = errors.New("the stream was broken off")
				h.runAt(44100)
				time.AfterFunc(20*time.Second, func() { h.runAt(0) })
			}
		}
		s, blocks, states := run(t, h, Config{}, 40*time.Second)
		if st := states[150]; st.State != capture.Lost || !strings.Contains(st.Text, "runs at 44100 Hz and not at 48000 Hz: ask for that rate, or set the device to yours") {
			t.Errorf("at another rate: %+v", st)
		}
		if strings.Contains(states[150].Text, "has gone") {
			t.Errorf("it is there, and said to be gone: %s", states[150].Text)
		}
		g, _ := gaps(blocks)
		if len(g) != 1 || g[0].Cause != capture.Reopened || math.Abs(float64(g[0].LostFrames)-20*48000) > 1.1*48000 {
			t.Errorf("gaps %+v, want one of 20 s", g)
		}
		if st := states[len(states)-3]; st.State != capture.Running || st.Text != "" || s.Counters().Stalls != 0 {
			t.Errorf("set back: %+v, %+v", st, s.Counters())
		}
	})
}
