package stream

import (
	"fmt"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/internal/frametest"
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

// A frame that is counted can be asked for.
func TestPublishedFramesCanBeAskedFor(t *testing.T) {
	for range 30 {
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
