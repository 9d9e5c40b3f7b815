package stream

import (
	"fmt"
	"net"
	"net/http"
	"runtime"
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

func TestFirstMessages(t *testing.T) {
	s := serve(t)
	p := s.open(t)
	var kinds []string
	for range 4 {
		k, m, _ := p.next()
		kinds = append(kinds, k)
		if k == "hello" && (m["client"] != "page 1" || m["version"] != 1.0 || m["epoch"] != 1.0) {
			t.Errorf("hello %v", m)
		}
		if k == "verdict" && m["text"] != "Waiting for sound from small hall." {
			t.Errorf("verdict %v", m["text"])
		}
	}
	if got := strings.Join(kinds, " "); got != "hello state rig verdict" {
		t.Errorf("began with %s", got)
	}
	s.Publish(frametest.New(1))
	m, _ := p.until("hello") // the frame brought the grid
	if n := len(m["grid"].([]any)); n != len(frametest.New(1).Microphones[0].Curve.FrequencyHz) {
		t.Errorf("a grid of %d points", n)
	}
	if m, _ = p.until("verdict"); !strings.HasPrefix(m["text"].(string), "The microphone hears the loudspeaker 23.42 ms") {
		t.Errorf("verdict %v", m["text"])
	}
	if _, f := p.until("frame"); f.Seq != 7 {
		t.Errorf("frame %d", f.Seq)
	}
}

func TestAtMostTwoFramesUnacknowledged(t *testing.T) {
	s := serve(t)
	p := s.open(t)
	p.send(`{"type":"want","frames_per_second":60}`)
	s.pump(t, 5*time.Millisecond, nil)
	_, first := p.until("frame")
	_, second := p.until("frame")
	// Nothing may come now, however many are published.
	before := s.Stats().Published
	waitFor(t, "40 more frames", func() bool { return s.Stats().Published >= before+40 })
	if sent := s.Stats().Sent; sent != 2 {
		t.Fatalf("%d frames were sent without an ack", sent)
	}
	p.ack(first.Seq)
	_, third := p.until("frame")
	if third.Seq < before {
		t.Errorf("frame %d came after the ack, although %d was there: not the newest", third.Seq, before)
	}
	p.ack(second.Seq)
	p.until("frame")
}

func TestWants(t *testing.T) {
	s := serve(t)
	p := s.open(t)
	s.pump(t, 5*time.Millisecond, nil)
	frame := func() (seq uint64, mics int) {
		_, f := p.until("frame")
		p.ack(f.Seq)
		return f.Seq, len(f.Microphones(nil))
	}
	if _, n := frame(); n != 2 {
		t.Fatalf("%d microphones by default, want both", n)
	}
	p.send(`{"type":"want","microphones":[3],"frames_per_second":60}`)
	waitFor(t, "one microphone only", func() bool { _, n := frame(); return n == 1 })

	p.send(`{"type":"want","hidden":true}`)
	var sent uint64
	waitFor(t, "no more frames", func() bool {
		now, published := s.Stats().Sent, s.Stats().Published
		waitFor(t, "20 frames", func() bool { return s.Stats().Published > published+20 })
		still := sent == now
		sent = now
		return still
	})
	p.send(`{"type":"want","hidden":false}`)
	for s.Stats().Sent == sent {
		frame() // also those that were on their way
	}
}

// A page that is looked at again gets a frame of now, not the one that waited
// when it was hidden.
func TestHiddenPagesKeepNoFrame(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	c := newClient("c1", here, nil)
	s.clients.Store(&[]*client{c})
	f := frametest.New(1)
	f.Seq = 1
	s.Publish(f)
	c.want.Store(&want{interval: time.Second, hidden: true})
	var p pace
	if k, _ := c.take(s, &p); k != nil {
		t.Errorf("frame %d goes to a hidden page", k.frame.Seq)
	}
	c.want.Store(&want{interval: time.Second})
	if k, _ := c.take(s, &p); k != nil {
		t.Errorf("frame %d has waited", k.frame.Seq)
	}
	f.Seq = 2
	s.Publish(f)
	if k, _ := c.take(s, &p); k == nil || k.frame.Seq != 2 {
		t.Error("no new frame")
	}
}

// Who comes when the sound has ended sees what was heard last.
func TestNewestFrameAtOnce(t *testing.T) {
	s := serve(t)
	s.Publish(frametest.New(1))
	p := s.open(t)
	p.until("hello")
	if _, f := p.until("frame"); f.Seq != 7 {
		t.Errorf("frame %d", f.Seq)
	}
}

// A peer that stops reading: its frames wait with it, and nobody else's.
func TestStuckClientDisturbsNobody(t *testing.T) {
	s := serve(t)
	stuck := s.open(t)
	stuck.conn.NetConn().(*net.TCPConn).SetReadBuffer(4 << 10)
	s.pump(t, 10*time.Millisecond, nil)
	stuck.ack(1 << 60) // never counts

	good := s.open(t)
	good.send(`{"type":"want","frames_per_second":60}`)
	var last uint64
	for range 200 {
		_, f := good.until("frame")
		if f.Seq <= last {
			t.Fatalf("frame %d after %d", f.Seq, last)
		}
		last = f.Seq
		good.ack(f.Seq)
	}
}

func TestTooSlowForNotices(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	c := newClient("c1", here, nil) // no writer takes its notices
	s.clients.Store(&[]*client{c})
	for i := range noticesMax {
		s.Notice(fmt.Sprint(i), "")
	}
	select {
	case <-c.stopped:
		t.Fatal("closed before its queue was full")
	default:
	}
	s.Notice("one more", "")
	<-c.stopped
	if c.code != closeTryLater {
		t.Errorf("close code %d", c.code)
	}
}

func TestRefusedMessagesCloseWithReason(t *testing.T) {
	s := serve(t)
	for _, c := range []struct {
		kind int
		text string
		say  string
		code int
	}{
		{websocket.TextMessage, `{"type":"shout"}`, "must be", websocket.ClosePolicyViolation},
		{websocket.TextMessage, `{"type":"want","frames_per_second":1000}`, "between 0.1 and 60", websocket.ClosePolicyViolation},
		{websocket.BinaryMessage, "PLMB", "only text", websocket.ClosePolicyViolation},
	} {
		p := s.open(t)
		if err := p.conn.WriteMessage(c.kind, []byte(c.text)); err != nil {
			t.Fatal(err)
		}
		var err error
		for err == nil {
			p.conn.SetReadDeadline(time.Now().Add(3 * time.Minute))
			_, _, err = p.conn.ReadMessage()
		}
		closed, ok := err.(*websocket.CloseError)
		if !ok || closed.Code != c.code || !strings.Contains(closed.Text, c.say) {
			t.Errorf("%.40s: %v, want %d with %q", c.text, err, c.code, c.say)
		}
	}
	// Too large: the daemon reads no further, so that its goodbye may be lost.
	p := s.open(t)
	p.conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"want","microphones":[`+strings.Repeat("1,", readLimit)+`1]}`))
	waitFor(t, "all to be gone", func() bool { return s.Stats().Clients == 0 })
}

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

// A frame that is counted can be asked for.
func TestPublishedFramesCanBeAskedFor(t *testing.T) {
	for range 100 {
		op := newOperator()
		s, err := New(Config{Operator: op, Rig: op, UI: testUI})
		if err != nil {
			t.Fatal(err)
		}
		var publishing sync.WaitGroup
		publishing.Go(func() { s.Publish(frametest.New(32)) })
		for s.Stats().Published == 0 {
			runtime.Gosched()
		}
		if _, ok := s.Frame(); !ok {
			t.Fatal("a frame is counted, yet none is there")
		}
		publishing.Wait()
	}
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

// A packet must not be written into while a client still sends it: every number
// of a frame carries its seq.
func TestPacketsAreNotMixed(t *testing.T) {
	s := serve(t)
	f := frametest.New(1)
	stop := make(chan struct{})
	var pumped sync.WaitGroup
	pumped.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
			}
			f.Seq++
			x := float64(f.Seq % 1000)
			for i := range f.Microphones[0].Curve.MagnitudeDB {
				f.Microphones[0].Curve.MagnitudeDB[i] = x
			}
			s.Publish(f)
		}
	})
	var all sync.WaitGroup
	for range 4 {
		p := s.open(t)
		p.send(`{"type":"want","frames_per_second":60}`)
		all.Go(func() {
			for range 30 {
				_, f := p.until("frame")
				for _, x := range f.Curve(1, 2) {
					if x != float32(f.Seq%1000) {
						t.Errorf("frame %d holds %g", f.Seq, x)
						return
					}
				}
				p.ack(f.Seq)
			}
		})
	}
	all.Wait()
	close(stop)
	pumped.Wait()
}

func TestEndsInTimeWithAStuckClient(t *testing.T) {
	s := serve(t)
	stuck, good := s.open(t), s.open(t)
	stuck.conn.NetConn().(*net.TCPConn).SetReadBuffer(4 << 10)
	stopPump := s.pump(t, time.Millisecond, nil)
	good.until("frame")
	s.end()
	stopPump()
	var err error
	for err == nil {
		_, _, err = good.conn.ReadMessage()
	}
	if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("the good client heard %v, want 1001", err)
	}
}

// Nobody new comes in while the clients are told that the daemon ends.
func TestListenerEndsBeforeClients(t *testing.T) {
	s := serve(t)
	p := s.open(t)
	p.until("state")
	s.connection.Add(1) // a client that takes its time
	ended := make(chan struct{})
	go func() { defer close(ended); s.end() }()
	var err error
	for err == nil {
		_, _, err = p.conn.ReadMessage()
	}
	if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("heard %v, want 1001", err)
	}
	if c, err := net.Dial("tcp", s.addr); err == nil {
		c.Close()
		t.Error("the daemon still listens")
	}
	s.connection.Done()
	<-ended
}

func TestPublishAllocatesNothing(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	clients := make([]*client, 50)
	for i := range clients {
		clients[i] = newClient(fmt.Sprint(i), here, nil)
	}
	s.clients.Store(&clients)
	f := frametest.New(4)
	publish := func() {
		f.Seq++
		f.Sample += 2400
		s.Publish(f)
		for i, c := range clients { // every other one is sent, the rest are late
			if i%2 == 0 {
				s.pool.release(c.slot.Swap(nil))
			}
		}
	}
	publish()
	publish()
	publish()
	if n := testing.AllocsPerRun(200, publish); n != 0 {
		t.Errorf("%g allocations for a frame to %d clients", n, len(clients))
	}
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

func TestPace(t *testing.T) {
	start := time.Unix(1e9, 0)
	// 20 frames a second published with jitter of ±4 ms, 20 wanted: none may be held back.
	t.Run("same rate", func(t *testing.T) {
		var p pace
		for i := range 200 {
			now := start.Add(time.Duration(i)*50*time.Millisecond + time.Duration(i*7919%9-4)*time.Millisecond)
			if d := p.wait(now, 50*time.Millisecond); d > 0 {
				t.Fatalf("frame %d would wait %v", i, d)
			}
			p.send(now, 50*time.Millisecond, uint64(i))
			p.acked(uint64(i))
		}
	})
	// 60 published, 10 wanted, over 10 s: 100 within 2.
	t.Run("lower rate", func(t *testing.T) {
		var p pace
		sent := 0
		for i := range 600 {
			now := start.Add(time.Duration(i) * time.Second / 60)
			if p.wait(now, 100*time.Millisecond) <= 0 {
				p.send(now, 100*time.Millisecond, uint64(i))
				p.acked(uint64(i))
				sent++
			}
		}
		if sent < 98 || sent > 102 {
			t.Errorf("%d frames, want 100", sent)
		}
	})
	t.Run("a pause is not made up for", func(t *testing.T) {
		var p pace
		p.send(start, 50*time.Millisecond, 1)
		later := start.Add(time.Hour)
		p.acked(1)
		p.send(later, 50*time.Millisecond, 2)
		p.acked(2)
		p.send(later, 50*time.Millisecond, 3) // somewhere between two frames
		if d := p.wait(later, 50*time.Millisecond); d < 40*time.Millisecond {
			t.Errorf("the next frame is due in %v", d)
		}
	})
	t.Run("a higher rate holds at once", func(t *testing.T) {
		var p pace
		p.send(start, 10*time.Second, 1)
		now := start.Add(time.Second)
		if d := p.wait(now, 10*time.Second); d != 9*time.Second-ahead-slack {
			t.Errorf("one in 10 s: the next is due in %v", d)
		}
		if d := p.wait(now, 50*time.Millisecond); d != 0 {
			t.Errorf("one in 50 ms: the next is due in %v", d)
		}
	})
	t.Run("a source that counts anew", func(t *testing.T) {
		var p pace
		p.send(start, time.Millisecond, 5000)
		p.send(start, time.Millisecond, 1)
		if p.room() {
			t.Error("room for a third")
		}
		p.acked(1) // covers the one before too
		if !p.room() || p.n != 0 {
			t.Errorf("%d on their way", p.n)
		}
	})
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
