package stream

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/analyze"
	"plumbline/analyze/setting"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

func TestHelloComesBeforeFramesOfItsEpoch(t *testing.T) {
	s := serve(t)
	pages := make([]*page, 4)
	for i := range pages {
		pages[i] = s.open(t)
		pages[i].send(`{"type":"want","frames_per_second":60}`)
	}
	f := frametest.New(1)
	done := make(chan struct{})
	var pumped sync.WaitGroup
	pumped.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
			}
			f.Seq++
			if f.Seq%3 == 0 {
				f.Epoch++
			}
			s.Publish(f)
			time.Sleep(2 * time.Millisecond) // a pace, not a condition
		}
	})
	var all sync.WaitGroup
	for _, p := range pages {
		all.Go(func() {
			epoch := 0.0
			for n := 0; n < 100; {
				switch kind, m, f := p.next(); kind {
				case "hello":
					epoch = m["epoch"].(float64)
				case "frame":
					n++
					if float64(f.Epoch) > epoch {
						t.Errorf("a frame of epoch %d before its hello: the last is %g", f.Epoch, epoch)
						return
					}
					p.ack(f.Seq)
				}
			}
		})
	}
	all.Wait()
	close(done)
	pumped.Wait()
}

// The curves of a frame that is asked for lie on its own grid, also while the
// grid changes.
func TestFrameComesWithItsGrid(t *testing.T) {
	op := newOperator()
	s, err := New(Config{Operator: op, Rig: op, UI: testUI})
	if err != nil {
		t.Fatal(err)
	}
	coarse, fine := frametest.New(1), frametest.New(1)
	c := &coarse.Microphones[0].Curve
	for _, x := range []*[]float64{
		&c.FrequencyHz, &c.MagnitudeDB, &c.MagnitudeLowDB, &c.MagnitudeHighDB, &c.PhaseDeg,
		&c.PhaseErrorDeg, &c.Coherence, &c.Threshold, &c.EffectiveAverages,
	} {
		*x = (*x)[:100]
	}
	grids := []*analyze.Frame{coarse, fine}
	s.Publish(coarse)
	done := make(chan struct{})
	var publishing sync.WaitGroup
	publishing.Go(func() {
		for n := uint64(1); ; n++ {
			select {
			case <-done:
				return
			default:
			}
			f := grids[n%2]
			f.Seq, f.Epoch = n, uint32(n)
			s.Publish(f)
		}
	})
	for range 2000 {
		o, _ := s.Frame()
		if m := o.Microphones[0]; len(m.FrequencyHz) != len(m.MagnitudeDB) {
			t.Errorf("frame %d: %d frequencies for %d values", o.Seq, len(m.FrequencyHz), len(m.MagnitudeDB))
			break
		}
	}
	close(done)
	publishing.Wait()
}

func TestVerdictGoesStaleAndComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		op := newOperator()
		s, err := New(Config{Operator: op})
		if err != nil {
			t.Fatal(err)
		}
		said := func() string { return s.board.Load().verdicts[0].verdict.Text }
		var watched sync.WaitGroup
		watched.Go(func() { s.watch(t.Context()) })

		time.Sleep(time.Minute)
		if said() != "Waiting for sound from small hall." {
			t.Error(said())
		}
		f := frametest.New(1)
		s.Publish(f)
		at := time.Now()
		time.Sleep(time.Second)
		if !strings.HasPrefix(said(), "The microphone hears") {
			t.Error("stale after a second already: ", said())
		}
		time.Sleep(time.Second)
		if want := "No data since " + at.Format("15:04:05") + " from small hall."; said() != want {
			t.Errorf("%s, want %s", said(), want)
		}
		op.state.Source.State, op.state.Source.Text = "lost", "the device has gone and is being looked for"
		op.state.Revision++
		s.StateChanged(op.state)
		time.Sleep(time.Second)
		if !strings.HasSuffix(said(), "from small hall: the device has gone and is being looked for.") {
			t.Error(said())
		}
		f.Sample += 2400
		s.Publish(f)
		if !strings.HasPrefix(said(), "The microphone hears") {
			t.Error(said())
		}
	})
}

// An old state must not overtake a newer one.
func TestOldStateIsDropped(t *testing.T) {
	op := newOperator()
	s, err := New(Config{Operator: op})
	if err != nil {
		t.Fatal(err)
	}
	newer, older := op.State(), op.State()
	newer.Revision, newer.ChangedBy = 9, "c2"
	older.Revision, older.ChangedBy = 8, "c1"
	s.StateChanged(newer)
	s.StateChanged(older)
	if by := s.board.Load().state.state.ChangedBy; by != "c2" {
		t.Errorf("the state is %s's", by)
	}
}

// Clients are called as their people want; two of one name are told apart.
func TestClientsHaveNames(t *testing.T) {
	s := serve(t)
	hello := func(query string) string {
		conn, _, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live"+query, http.Header{"Origin": {"http://" + s.addr}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		m, _ := (&page{t, conn}).until("hello")
		return m["client"].(string)
	}
	for _, c := range []struct{ query, want string }{
		{"?name=J%C3%BCrgen", "Jürgen"}, {"", "page 2"}, {"?name=J%C3%BCrgen", "Jürgen 2"}, {"?name=+Mira+", "Mira"}, {"?name=%20", "page 5"},
	} {
		if got := hello(c.query); got != c.want {
			t.Errorf("%q is called %q, want %q", c.query, got, c.want)
		}
	}
	for _, bad := range []string{"?name=a%0Ab", "?name=" + strings.Repeat("x", 25)} {
		_, res, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live"+bad, http.Header{"Origin": {"http://" + s.addr}})
		if err == nil || res == nil || res.StatusCode != http.StatusBadRequest {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if status, _, _ := s.do(t, "POST", "/api/v1/reset", "", "X-Plumbline-Client", "J%C3%BCrgen"); status != http.StatusNoContent {
		t.Errorf("a name in a header: status %d", status)
	}
	s.op.mu.Lock()
	defer s.op.mu.Unlock()
	if s.op.reset != "Jürgen" {
		t.Errorf("reset by %q", s.op.reset)
	}
}

// Waiting helps where averages grow, and is said there only.
func TestWaitingIsSaidWhereAveragesGrow(t *testing.T) {
	for mode, want := range map[string]string{
		setting.AverageTime: "average over", setting.AverageInfinite: "wait about", setting.AverageUntil: "wait about",
	} {
		s := serve(t)
		s.op.mu.Lock()
		state := s.op.state
		s.op.mu.Unlock()
		state.Revision++
		state.Settings.Averaging.Mode = mode
		s.StateChanged(state)
		f := frametest.New(1)
		for i := range f.Microphones[0].Curve.Coherence {
			f.Microphones[0].Curve.Coherence[i] = 0.0634
		}
		s.Publish(f)
		if v := call[wire.Verdicts](t, s, http.StatusOK, "GET", "/api/v1/verdict", "").Verdicts[0]; !strings.Contains(v.Headline, want) {
			t.Errorf("%s: %q, want %q", mode, v.Headline, want)
		}
	}
}
