package stream

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

// pipes is a listener whose connections are pipes: nothing is buffered between the
// two ends, and their deadlines go by the bubble's clock.
type pipes struct {
	accept chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.accept:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.closed) }); return nil }
func (p *pipes) Addr() net.Addr { return pipeAddr{} }

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "localhost:80" }

// dial opens a live connection over a pipe. Until it is read nothing is taken of it.
func (p *pipes) dial(t *testing.T) *websocket.Conn {
	t.Helper()
	d := websocket.Dialer{NetDialContext: func(context.Context, string, string) (net.Conn, error) {
		here, there := net.Pipe()
		p.accept <- there
		return here, nil
	}}
	conn, _, err := d.Dial("ws://localhost/api/v1/live", http.Header{"Origin": {"http://localhost"}})
	if err != nil {
		t.Fatal(err)
	}
	return conn
}

// inBubble runs a server on pipes that publishes 20 frames a second while visit lasts,
// all under the bubble's clock.
func inBubble(t *testing.T, visit func(t *testing.T, s *Server, p *pipes)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s, err := New(Config{Operator: newOperator()})
		if err != nil {
			t.Fatal(err)
		}
		p := &pipes{accept: make(chan net.Conn), closed: make(chan struct{})}
		ctx, cancel := context.WithCancel(t.Context())
		ran, pumped := make(chan error, 1), make(chan struct{})
		go func() { ran <- s.Run(ctx, p) }()
		go func() {
			defer close(pumped)
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			for f := frametest.New(2); ; f.Seq++ {
				f.Sample += 2400
				s.Publish(f)
				select {
				case <-tick.C:
				case <-ctx.Done():
					return
				}
			}
		}()
		visit(t, s, p)
		cancel()
		<-pumped
		if err := <-ran; err != nil {
			t.Error(err)
		}
		if n := s.Stats().Clients; n != 0 {
			t.Errorf("%d clients are left behind", n)
		}
	})
}

// listen reads all that comes until the connection ends. Pings are answered if pongs,
// frames acknowledged if acks.
func listen(conn *websocket.Conn, pongs, acks bool, frames *atomic.Int64) (ended chan error) {
	if !pongs {
		conn.SetPingHandler(func(string) error { return nil })
	}
	ended = make(chan error, 1)
	go func() {
		for {
			kind, data, err := conn.ReadMessage()
			if err == nil && kind == websocket.BinaryMessage {
				if frames.Add(1); acks {
					err = ack(conn, data)
				}
			}
			if err != nil {
				ended <- err
				return
			}
		}
	}()
	return ended
}

// ack says that a frame was taken.
func ack(conn *websocket.Conn, frame []byte) error {
	var f wire.Frame
	if err := f.Decode(frame); err != nil {
		return err
	}
	return conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"ack","seq":%d}`, f.Seq))
}

// left waits until there are n clients, and says how long that took.
func left(t *testing.T, s *Server, n int) time.Duration {
	t.Helper()
	began := time.Now()
	for {
		synctest.Wait()
		if s.Stats().Clients == n {
			return time.Since(began)
		}
		if time.Since(began) > time.Minute {
			t.Fatalf("%d clients after a minute, want %d", s.Stats().Clients, n)
		}
		time.Sleep(time.Millisecond)
	}
}

// A client that takes nothing of what is written to it is cut off when the write
// deadline is over, whether it never read, stops amid the frames, or takes so little
// that a message is not through in time. Another client loses no frame by it.
func TestClientThatDoesNotReadIsCutOff(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		var frames atomic.Int64
		good := p.dial(t)
		defer good.Close()
		ended := listen(good, true, true, &frames)
		left(t, s, 1)

		never := p.dial(t)
		defer never.Close()
		frames.Store(0)
		if d := left(t, s, 1); d < writeTimeout-time.Millisecond || d > writeTimeout+time.Millisecond {
			t.Errorf("one that never reads went after %v, want %v", d, writeTimeout)
		}
		if n := frames.Load(); n < 98 || n > 101 {
			t.Errorf("the other had %d frames in these 5 s, want 100", n)
		}

		stops := p.dial(t)
		defer stops.Close()
		for frames := 0; frames < 40; {
			kind, data, err := stops.ReadMessage()
			if err == nil && kind == websocket.BinaryMessage {
				frames++
				err = ack(stops, data)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		// The next frame is due within 50 ms.
		if d := left(t, s, 1); d < writeTimeout || d > writeTimeout+60*time.Millisecond {
			t.Errorf("one that stops reading went after %v, want %v", d, writeTimeout)
		}

		slow := p.dial(t)
		trickled := make(chan struct{})
		go func() {
			defer close(trickled)
			for one := make([]byte, 1); ; time.Sleep(100 * time.Millisecond) {
				if _, err := slow.NetConn().Read(one); err != nil {
					return
				}
			}
		}()
		if d := left(t, s, 1); d < writeTimeout-time.Millisecond || d > writeTimeout+time.Millisecond {
			t.Errorf("one that takes ten bytes a second went after %v, want %v", d, writeTimeout)
		}
		<-trickled
		slow.Close()

		select {
		case err := <-ended:
			t.Errorf("the client that reads was cut off: %v", err)
		default:
		}
		good.Close()
		<-ended
	})
}

// A client whose pongs stop is cut off when the read deadline is over, though all
// that is written to it is taken; one that answers, or says something itself, stays.
func TestClientWhosePongsStopIsCutOff(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		var frames atomic.Int64
		mute := p.dial(t)
		ended := listen(mute, false, false, &frames)
		if d := left(t, s, 0); d < readTimeout-time.Millisecond || d > readTimeout+time.Millisecond {
			t.Errorf("one that answers nothing went after %v, want %v", d, readTimeout)
		}
		<-ended
		mute.Close()

		// A page that is hidden gets no frames and says nothing: its pongs are all.
		quiet := p.dial(t)
		if err := quiet.WriteMessage(websocket.TextMessage, []byte(`{"type":"want","hidden":true}`)); err != nil {
			t.Fatal(err)
		}
		ended = listen(quiet, true, false, &frames)
		time.Sleep(4 * readTimeout)
		synctest.Wait()
		if n := s.Stats().Clients; n != 1 {
			t.Fatalf("one that answers pings went: %v", <-ended)
		}
		quiet.Close()
		<-ended
		left(t, s, 0)

		// One whose library does not pong but whose program speaks.
		speaks := p.dial(t)
		ended = listen(speaks, false, false, &frames)
		var spoke time.Time
		for range 4 {
			spoke = time.Now()
			if err := speaks.WriteMessage(websocket.TextMessage, []byte(`{"type":"here"}`)); err != nil {
				t.Fatal(err)
			}
			time.Sleep(readTimeout - time.Second)
		}
		synctest.Wait()
		if n := s.Stats().Clients; n != 1 {
			t.Fatalf("one that speaks went: %v", <-ended)
		}
		left(t, s, 0)
		if d := time.Since(spoke); d < readTimeout-time.Millisecond || d > readTimeout+time.Millisecond {
			t.Errorf("it went %v after it had spoken last, want %v", d, readTimeout)
		}
		<-ended
		speaks.Close()
	})
}

// The daemon ends though a client takes no goodbye: after a second it is cut.
func TestEndDoesNotWaitForAClientThatDoesNotRead(t *testing.T) {
	var began time.Time
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		conn := p.dial(t)
		left(t, s, 1)
		began = time.Now()
		t.Cleanup(func() {
			if d := time.Since(began); d > 3*time.Second {
				t.Errorf("the end took %v", d)
			}
			if _, err := io.Copy(io.Discard, conn.NetConn()); err != nil {
				t.Error(err)
			}
			conn.Close()
		})
	})
}
