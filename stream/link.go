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
	heard atomic.Int64 // unix ns of the last sign of life
	gone  chan struct{}
}

func (p *presence) hear() { p.heard.Store(time.Now().UnixNano()) }

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
			c.hear() // until now it was asked every 10 s only
			c.wake()
			return &Link{c: c}, true
		}
	}
	return nil, false
}

// Gone is closed when the connection has ended.
func (l *Link) Gone() <-chan struct{} { return l.c.gone }

// Quiet is for how long nothing was heard of the client.
func (l *Link) Quiet() time.Duration {
	return max(0, time.Duration(time.Now().UnixNano()-l.c.heard.Load()))
}

// Close lets go. It may be called more than once.
func (l *Link) Close() {
	l.release.Do(func() {
		l.c.links.Add(-1)
		l.c.wake()
	})
}
