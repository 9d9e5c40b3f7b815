package stream

import (
	"crypto/tls"
	"errors"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/access"
	"plumbline/stream/wire"
)

const (
	closeGoingAway = websocket.CloseGoingAway       // 1001
	closePolicy    = websocket.ClosePolicyViolation // 1008
	closeTryLater  = websocket.CloseTryAgainLater   // 1013

	readLimit    = 4 << 10
	writeBuffer  = 64 << 10 // of the kernel: more would hold seconds of old frames
	writeTimeout = 5 * time.Second
	readTimeout  = 30 * time.Second
	pingEvery    = 10 * time.Second
	noticesMax   = 16
	nameMax      = 24 // characters of a name, as ui/core/person.js has it
	unackedMax   = 2
	defaultRate  = 20.0

	operatorsShare = 16 // one in so many live connections is an operator's
)

// client is one live connection: a slot for the newest frame, a queue of
// notices, and what the client asked for. Its reader and its writer are
// goroutines of their own; anybody may call wake, notice and stop.
type client struct {
	name    string
	who     access.Who
	conn    *websocket.Conn
	slot    atomic.Pointer[packet]
	wakeup  chan struct{}
	notices chan []byte
	acked   atomic.Uint64
	want    atomic.Pointer[want]
	presence

	stopOnce sync.Once
	stopped  chan struct{}
	code     int // of the close message; set before stopped is closed
	reason   string
}

// want is what a client asked for.
type want struct {
	interval    time.Duration
	hidden      bool
	microphones []int // nil: all
}

func newClient(name string, who access.Who, conn *websocket.Conn) *client {
	c := &client{
		name:    name,
		who:     who,
		conn:    conn,
		wakeup:  make(chan struct{}, 1),
		notices: make(chan []byte, noticesMax),
		stopped: make(chan struct{}),
	}
	c.gone = make(chan struct{})
	c.want.Store(&want{interval: interval(defaultRate)})
	return c
}

func interval(framesPerSecond float64) time.Duration {
	return time.Duration(float64(time.Second) / framesPerSecond)
}

func (c *client) wake() {
	select {
	case c.wakeup <- struct{}{}:
	default:
	}
}

// notice queues a text; a client that does not keep up is closed.
func (c *client) notice(data []byte) {
	select {
	case c.notices <- data:
	default:
		c.stop(closeTryLater, "too slow: connect again")
	}
}

// stop asks the writer to say goodbye and end. It does not wait.
func (c *client) stop(code int, reason string) {
	c.stopOnce.Do(func() {
		c.code, c.reason = code, reason
		close(c.stopped)
	})
}

func (c *client) wantsNothing() bool { return c.want.Load().hidden }

// live is the WebSocket endpoint. It returns when the connection has ended.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	upgrader := websocket.Upgrader{
		HandshakeTimeout: writeTimeout,
		ReadBufferSize:   1 << 10,
		WriteBufferSize:  4 << 10,
		CheckOrigin:      sameOrigin,
		Error: func(w http.ResponseWriter, _ *http.Request, status int, reason error) {
			fail(w, &Error{Code: "websocket", Text: reason.Error(), Status: status})
		},
	}
	most := s.cfg.MaxClients
	if whoAsks(r).Role != access.Operator { // so that viewers lock no operator out
		most -= most / operatorsShare
	}
	if len(*s.clients.Load()) >= most {
		fail(w, &Error{Code: "too_many_clients", Text: "too many pages are open on this daemon: close one", Status: http.StatusServiceUnavailable})
		return
	}
	name := r.URL.Query().Get("name")
	if wire.CheckLine("name", "a name", name, nameMax) != nil {
		fail(w, &Error{Code: "name", Text: "a name is one line of at most " + strconv.Itoa(nameMax) + " characters", Status: http.StatusBadRequest})
		return
	}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // upgrader has answered
	}
	defer conn.Close()
	under := conn.NetConn()
	if secure, ok := under.(*tls.Conn); ok {
		under = secure.NetConn()
	}
	if tcp, ok := under.(*net.TCPConn); ok {
		tcp.SetWriteBuffer(writeBuffer)
	}
	c, ok := s.join(conn, strings.TrimSpace(name), whoAsks(r))
	if !ok {
		return
	}
	defer s.connection.Done()
	defer s.leave(c)
	written := make(chan struct{})
	go func() { defer close(written); s.shielded(c, "writer", func() { c.write(s) }) }()
	s.shielded(c, "reader", func() { s.tellMisspoken(c, c.read()) })
	close(c.gone)
	c.stop(websocket.CloseNormalClosure, "")
	<-written
}

func (s *Server) join(conn *websocket.Conn, name string, who access.Who) (*client, bool) {
	s.clientsMu.Lock()
	defer s.clientsMu.Unlock()
	if s.stopping {
		return nil, false
	}
	s.connection.Add(1)
	s.clientSeq++
	c := newClient(s.clientName(name), who, conn)
	clients := append(slices.Clone(*s.clients.Load()), c)
	s.clients.Store(&clients)
	// What is known now, at once: a source that has ended sends no other frame. One
	// of the epoch before has another grid; its successor is on the way.
	if k := s.takeNewest(); k != nil && (k.hello != s.board.Load().hello || !c.slot.CompareAndSwap(nil, k)) {
		s.pool.release(k)
	}
	s.log.Debug("client came", "client", c.name, "address", conn.RemoteAddr().String())
	return c, true
}

// clientName is the name that a person has chosen, with a number where another page has
// it; of who has not chosen any, the number alone. clientsMu is held.
func (s *Server) clientName(chosen string) string {
	if chosen == "" {
		return "page " + strconv.Itoa(s.clientSeq)
	}
	name := chosen
	for n := 2; slices.ContainsFunc(*s.clients.Load(), func(c *client) bool { return c.name == name }); n++ {
		name = chosen + " " + strconv.Itoa(n)
	}
	return name
}

func (s *Server) leave(c *client) {
	s.clientsMu.Lock()
	clients := slices.DeleteFunc(slices.Clone(*s.clients.Load()), func(x *client) bool { return x == c })
	s.clients.Store(&clients)
	s.clientsMu.Unlock()
	s.pool.release(c.slot.Swap(nil))
	s.log.Debug("client went", "client", c.name, "reason", c.reason)
}

// turnOut ends the connections of those whose token was removed.
func (s *Server) turnOut() {
	if s.cfg.Gate == nil {
		return
	}
	for _, c := range *s.clients.Load() {
		if !s.cfg.Gate.Still(c.who) {
			c.stop(closePolicy, "this token was removed: ask for a new one")
		}
	}
}

// read takes what the client says until the connection ends, and returns why it was
// ended: nil where the peer or the network did it.
func (c *client) read() error {
	c.conn.SetReadLimit(readLimit)
	extend := func(string) error {
		c.heard.Add(1)
		return c.conn.SetReadDeadline(time.Now().Add(readTimeout))
	}
	c.conn.SetPongHandler(extend)
	spoken := allowance{perSecond: messagesPerSecond, most: messagesAtOnce}
	for {
		extend("")
		kind, data, err := c.conn.ReadMessage()
		if err != nil {
			return misspoken(err)
		}
		var m wire.ClientMessage
		switch {
		case !spoken.one(time.Now()):
			err = errors.New("too many messages a second: send fewer")
		case kind != websocket.TextMessage:
			err = errors.New("only text messages are understood")
		default:
			m, err = wire.DecodeClientMessage(data)
		}
		if err != nil {
			c.stop(closePolicy, clip(err.Error(), 120)) // a close message holds 123 bytes
			return err
		}
		c.said.Add(1)
		switch m.Type {
		case wire.TypeHere:
			continue // there is nothing to write
		case wire.TypeAck:
			c.acked.Store(m.Seq)
		case wire.TypeWant:
			next := *c.want.Load()
			if m.FramesPerSecond != nil {
				next.interval = interval(*m.FramesPerSecond)
			}
			if m.Hidden != nil {
				next.hidden = *m.Hidden
			}
			if m.Microphones != nil {
				next.microphones = m.Microphones
			}
			c.want.Store(&next)
		}
		c.wake()
	}
}

// write sends what is new until the connection ends, and then closes it, so
// that the reader ends too.
func (c *client) write(s *Server) {
	defer c.conn.Close()
	pinging := c.pingEvery()
	ping := time.NewTicker(pinging)
	defer ping.Stop()
	due := time.NewTimer(time.Hour)
	defer due.Stop()
	var (
		seen board
		pace pace
	)
	for {
		k, wait := c.take(s, &pace)
		// After taking the frame: the hello that names its grid is on the board by now.
		err := c.writeBoard(s.board.Load(), &seen)
		if err == nil && k != nil {
			data, fresh := k.encoded(c.want.Load().microphones)
			if fresh {
				s.encoded.Add(1)
			}
			if err = c.send(websocket.BinaryMessage, data); err == nil {
				s.sent.Add(1)
			}
		}
		s.pool.release(k)
		if err != nil {
			return
		}
		if k != nil {
			continue
		}
		if every := c.pingEvery(); every != pinging {
			pinging = every
			ping.Reset(every)
		}
		due.Reset(wait)
		select {
		case <-c.stopped:
			c.goodbye()
			return
		case <-c.wakeup:
		case <-due.C:
		case data := <-c.notices:
			err = c.send(websocket.TextMessage, data)
		case <-ping.C:
			err = c.conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeTimeout))
			if err == nil && c.links.Load() > 0 {
				err = c.send(websocket.TextMessage, asked)
			}
		}
		if err != nil {
			return
		}
	}
}

// take returns the newest frame if it may be sent now, else how long to sleep
// if nothing wakes the writer before.
func (c *client) take(s *Server, p *pace) (*packet, time.Duration) {
	w := c.want.Load()
	now := s.now()
	p.acked(c.acked.Load())
	if w.hidden { // what waits now would be old when the page is looked at again
		s.pool.release(c.slot.Swap(nil))
		return nil, time.Hour
	}
	if !p.room() || c.slot.Load() == nil {
		return nil, time.Hour
	}
	if wait := p.wait(now, w.interval); wait > 0 {
		return nil, wait
	}
	k := c.slot.Swap(nil)
	if k != nil {
		p.send(now, w.interval, k.frame.Seq)
	}
	return k, 0
}

// writeBoard sends the documents that changed since seen, and notes them there.
func (c *client) writeBoard(b, seen *board) error {
	if b.hello != seen.hello {
		h := b.hello.hello
		h.Client, h.Role = c.name, string(c.who.Role)
		if err := c.send(websocket.TextMessage, encode(h)); err != nil {
			return err
		}
	}
	if b.state != seen.state {
		if err := c.send(websocket.TextMessage, b.state.data); err != nil {
			return err
		}
	}
	if b.rig != seen.rig {
		if err := c.send(websocket.TextMessage, b.rig.data); err != nil {
			return err
		}
	}
	if b.show != seen.show {
		if err := c.send(websocket.TextMessage, b.show.data); err != nil {
			return err
		}
	}
	if b.survey != seen.survey {
		if err := c.send(websocket.TextMessage, b.survey.data); err != nil {
			return err
		}
	}
	if b.levels != seen.levels && !c.wantsNothing() {
		if err := c.send(websocket.TextMessage, b.levels.data); err != nil {
			return err
		}
	}
	if b.watches != seen.watches {
		if err := c.send(websocket.TextMessage, b.watches.data); err != nil {
			return err
		}
	}
	for _, v := range b.verdicts {
		if !slices.Contains(seen.verdicts, v) {
			if err := c.send(websocket.TextMessage, v.data); err != nil {
				return err
			}
		}
	}
	*seen = *b
	return nil
}

// send writes one message. After an error the connection is of no use.
func (c *client) send(kind int, data []byte) error {
	c.conn.SetWriteDeadline(time.Now().Add(writeTimeout))
	return c.conn.WriteMessage(kind, data)
}

func (c *client) goodbye() {
	c.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(c.code, c.reason), time.Now().Add(time.Second))
}

func clip(s string, n int) string {
	for len(s) > n {
		s = s[:len(s)-1]
	}
	return s
}
