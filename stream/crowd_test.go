package stream

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
)

// take reads and acknowledges frames until the connection ends, and looks at no more of them
// than their number: a hundred do so at once.
func take(conn *websocket.Conn, frames *atomic.Int64) (ended chan error) {
	ended = make(chan error, 1)
	go func() {
		for {
			kind, data, err := conn.ReadMessage()
			if err == nil && kind == websocket.BinaryMessage {
				frames.Add(1)
				err = conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"ack","seq":%d}`, binary.LittleEndian.Uint64(data[8:])))
			}
			if err != nil {
				ended <- err
				return
			}
		}
	}()
	return ended
}

// Two hundred clients, half of which never read: those are cut off when the write
// deadline is over, within it they cost the others not one frame, and what was theirs is
// given back.
func TestTwoHundredClientsHalfOfWhichNeverRead(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		const half = 100
		var frames [half]atomic.Int64
		var good [half]*websocket.Conn
		var ended [half]chan error
		for i := range good {
			good[i] = p.dial(t)
			ended[i] = take(good[i], &frames[i])
		}
		left(t, s, half)
		began := time.Now()
		for range half {
			never := p.dial(t)
			defer never.Close()
		}
		synctest.Wait()
		if n := s.Stats().Clients; n != 2*half {
			t.Fatalf("%d clients, want %d", n, 2*half)
		}
		for i := range frames {
			frames[i].Store(0)
		}
		published := s.Stats().Published
		if d := left(t, s, half); d > writeTimeout+time.Millisecond {
			t.Errorf("those that never read were gone after %v, want %v", d, writeTimeout)
		}
		due := int64(s.Stats().Published - published)
		for i := range frames {
			if n := frames[i].Load(); n < due-1 || n > due+1 {
				t.Errorf("client %d had %d of %d frames in %v", i, n, due, time.Since(began))
			}
			select {
			case err := <-ended[i]:
				t.Errorf("client %d, which reads, was cut off: %v", i, err)
			default:
			}
		}
		if n := s.Stats().Clients; n != half {
			t.Errorf("%d clients are left, want %d", n, half)
		}
		for i := range good {
			good[i].Close()
			<-ended[i]
		}
	})
}

// Who wants all frames gets each when it is published, whenever they came and however
// late one of their frames was.
func TestNoFrameIsHeldBack(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		left(t, s, 0)
		for _, into := range []time.Duration{10, 25, 45} { // ms after a frame
			time.Sleep(into * time.Millisecond)
			conn := p.dial(t)
			var held time.Duration
			look := func(frames int) {
				for frames > 0 {
					kind, data, err := conn.ReadMessage()
					if err != nil {
						t.Fatal(err)
					}
					if kind != websocket.BinaryMessage {
						continue
					}
					unixMs := math.Float64frombits(binary.LittleEndian.Uint64(data[24:]))
					held = time.Duration((float64(time.Now().UnixNano())/1e6 - unixMs) * float64(time.Millisecond))
					if err := conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"ack","seq":%d}`, binary.LittleEndian.Uint64(data[8:]))); err != nil {
						t.Fatal(err)
					}
					frames--
				}
			}
			for _, pause := range []time.Duration{0, 170} { // the network stands still for that, ms
				time.Sleep(pause * time.Millisecond)
				look(6)
				if held > time.Millisecond {
					t.Errorf("%d ms after a frame, a pause of %d ms: a frame is %v late", into, pause, held)
				}
			}
			conn.Close()
			left(t, s, 0)
		}
	})
}

// A thousand viewers at ten frames a second find room, and each has every second frame.
func TestAThousandViewersMissNothing(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		const viewers, perSecond = 1000, 10
		var frames [viewers]atomic.Int64
		var all [viewers]*websocket.Conn
		var ended [viewers]chan error
		for i := range all {
			all[i] = p.dial(t)
			if err := all[i].WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"want","frames_per_second":%d}`, perSecond)); err != nil {
				t.Fatal(err)
			}
			ended[i] = take(all[i], &frames[i])
		}
		left(t, s, viewers)
		time.Sleep(time.Second / perSecond) // of the bubble: the rate is in force
		for i := range frames {
			frames[i].Store(0)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		for i := range frames {
			if n := frames[i].Load(); n < perSecond-1 || n > perSecond+1 {
				t.Errorf("viewer %d had %d frames in a second, want %d", i, n, perSecond)
			}
		}
		for i := range all {
			all[i].Close()
			<-ended[i]
		}
		left(t, s, 0)
	})
}

// Clients that send garbage, before and after they have become live ones: each of these
// connections ends, with a reason where it is one that can be told, no other client loses a
// frame by it, and nothing is changed.
func TestClientsThatSendGarbage(t *testing.T) {
	inBubble(t, func(t *testing.T, s *Server, p *pipes) {
		var frames atomic.Int64
		good := p.dial(t)
		ended := listen(good, true, true, &frames)
		left(t, s, 1)
		before, was := s.cfg.Operator.State(), s.Stats().Published
		frames.Store(0)

		r := rand.New(rand.NewPCG(12, 3))
		noise := func(n int) []byte {
			b := make([]byte, n)
			for i := range b {
				b[i] = byte(r.Uint32())
			}
			return b
		}
		// Over the upgraded connection: messages of all kinds, and bytes that are no frame of a WebSocket.
		for n := range 60 {
			conn := p.dial(t)
			go io.Copy(io.Discard, conn.NetConn()) // it reads what it gets, and answers nothing
			var err error
			switch n % 6 {
			case 0:
				err = conn.WriteMessage(websocket.TextMessage, noise(1+n))
			case 1:
				err = conn.WriteMessage(websocket.BinaryMessage, noise(1+n))
			case 2:
				err = conn.WriteMessage(websocket.TextMessage, []byte(`{"type":"want","frames_per_second":`+strings.Repeat("9", n+1)+`}`))
			case 3:
				err = conn.WriteMessage(websocket.TextMessage, []byte(strings.Repeat(`{"type":`, n)))
			case 4:
				_, err = conn.NetConn().Write(append([]byte{0x7f}, noise(200+n)...)) // reserved bits and no known opcode
			case 5:
				_, err = conn.NetConn().Write([]byte{0x81, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}) // 16 EB are announced
			}
			if err != nil && err != io.ErrClosedPipe { // it may be cut off amid what it writes
				t.Fatal(err)
			}
			if d := left(t, s, 1); d > time.Second {
				t.Errorf("garbage %d: gone after %v", n%6, d)
			}
			conn.Close()
		}
		// In place of a request.
		for n := range 20 {
			here, there := net.Pipe()
			p.accept <- there
			go func() {
				here.Write(append(noise(64+n), "\r\n\r\n"...))
			}()
			said, _ := io.ReadAll(here)
			if text := string(said); text != "" && !strings.HasPrefix(text, "HTTP/1.1 4") {
				t.Errorf("noise is answered: %.60s", text)
			}
			here.Close()
		}
		// A request whose head never ends goes when its time is over, and holds nobody up.
		here, there := net.Pipe()
		p.accept <- there
		began := time.Now()
		go io.WriteString(here, "GET /api/v1/state HTTP/1.1\r\nHost: localhost\r\n")
		io.ReadAll(here)
		if d := time.Since(began); d > 6*time.Second {
			t.Errorf("half a request was waited for %v", d)
		}
		here.Close()

		if after := s.cfg.Operator.State(); after.Revision != before.Revision {
			t.Errorf("something was changed: %+v", after)
		}
		synctest.Wait()
		if n, due := frames.Load(), int64(s.Stats().Published-was); n < due-1 {
			t.Errorf("the other had %d of %d frames", n, due)
		}
		select {
		case err := <-ended:
			t.Errorf("the client that behaves was cut off: %v", err)
		default:
		}
		good.Close()
		<-ended
		if status, _ := local(s, http.MethodGet, "/api/v1/state"); status != http.StatusOK {
			t.Errorf("state: %d", status)
		}
	})
}
