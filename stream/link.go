package stream

import (
	"sync"
	"sync/atomic"
	"time"
)

// linkedPing is how often a client is asked whether it is still there while
// something depends on that.
const linkedPing = 50 * time.Millisecond

// Link watches the live connection of one client for something that must end
// when the client does. While it is held the client is pinged every 50 ms.
type Link struct {
	c       *client
	release sync.Once
}

// presence is what a client's connection tells of it.
type presence struct {
	links atomic.Int32
	heard atomic.Uint64 // signs of life
	gone  chan struct{}
}

func (p *presence) hear() { p.heard.Add(1) }

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

// Heard counts signs of life: while the client is there and answers it rises
// every 50 ms or so.
func (l *Link) Heard() uint64 { return l.c.heard.Load() }

// Close lets go. It may be called more than once.
func (l *Link) Close() {
	l.release.Do(func() {
		l.c.links.Add(-1)
		l.c.wake()
	})
}
