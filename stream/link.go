package stream

import (
	"sync"
	"sync/atomic"
	"time"

	"plumbline/stream/wire"
)

// linkedPing is how often a client is asked whether it is still there while
// something depends on that.
const linkedPing = 50 * time.Millisecond

// asked is the question put to the client's program.
var asked = encode(wire.Ask{Type: wire.TypeAsk})

// Link watches the live connection of one client for something that must end
// when the client does. While it is held the client is asked every 50 ms, twice:
// a ping, which a browser answers by itself, and a message, which its page's
// script must.
type Link struct {
	c       *client
	release sync.Once
}

// presence is what a client's connection tells of it.
type presence struct {
	links atomic.Int32
	heard atomic.Uint64 // signs of life, from either
	said  atomic.Uint64 // messages, which only the program sends
	gone  chan struct{}
}

// pingEvery is how often to ping now.
func (p *presence) pingEvery() time.Duration {
	if p.links.Load() > 0 {
		return linkedPing
	}
	return pingEvery
}

// Link holds on to the client of that name; false when none is connected.
func (s *Server) Link(client string) (*Link, bool) {
	for _, c := range *s.clients.Load() {
		if c.name == client {
			c.links.Add(1)
			c.wake()
			return &Link{c: c}, true
		}
	}
	return nil, false
}

// Gone is closed when the connection has ended.
func (l *Link) Gone() <-chan struct{} { return l.c.gone }

// Heard counts signs of life: while the client is connected it rises every
// 50 ms or so, whatever its program does.
func (l *Link) Heard() uint64 { return l.c.heard.Load() }

// Answered counts messages of the client's program: while that is alive it
// rises every 50 ms or so, in a hidden tab too.
func (l *Link) Answered() uint64 { return l.c.said.Load() }

// Close lets go. It may be called more than once.
func (l *Link) Close() {
	l.release.Do(func() {
		l.c.links.Add(-1)
		l.c.wake()
	})
}
