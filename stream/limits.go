package stream

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

// Limits for each address on a network: a page with its modules is 150 requests at once,
// and then a few a second. This computer's own programs may do atHome times as much.
const (
	networkPerSecond = 100
	networkAtOnce    = 600
	atHome           = 10

	connectionsOfOne = 64   // open at once, from an address; a browser opens 6, and its live one is not counted
	connectionsOfAll = 1024 // also by this computer's own programs

	messagesPerSecond = 120 // on a live connection: 60 frames acknowledged, 20 signs of life
	messagesAtOnce    = 360
)

func (s *Server) requestsPerSecond() float64 {
	if s.cfg.Gate == nil {
		return networkPerSecond * atHome
	}
	return networkPerSecond
}

func (s *Server) mostRequests() float64 {
	return s.requestsPerSecond() / networkPerSecond * networkAtOnce
}

// allowance is what one may do, and comes back by the second. It is not for two goroutines.
type allowance struct {
	perSecond, most float64

	used float64
	at   time.Time
}

// one uses one up; false: none is left.
func (a *allowance) one(now time.Time) bool {
	if !a.at.IsZero() {
		a.used = max(0, a.used-a.perSecond*now.Sub(a.at).Seconds())
	}
	a.at = now
	if a.used+1 > a.most {
		return false
	}
	a.used++
	return true
}

// peers are the connections that are open and not live, by address.
type peers struct {
	mu  sync.Mutex
	of  map[net.Conn]*peer
	num map[netip.Addr]int
}

// peer is one of them.
type peer struct {
	from  netip.Addr
	begun int          // requests of which a byte came
	whole atomic.Int64 // requests that were handled
}

type peerKey struct{}

// arrived begins to count a connection.
func (s *Server) arrived(ctx context.Context, c net.Conn) context.Context {
	p := new(peer)
	if at, err := netip.ParseAddrPort(c.RemoteAddr().String()); err == nil {
		p.from = at.Addr().Unmap()
	}
	s.peers.mu.Lock()
	defer s.peers.mu.Unlock()
	if s.peers.of == nil {
		s.peers.of, s.peers.num = map[net.Conn]*peer{}, map[netip.Addr]int{}
	}
	s.peers.of[c] = p
	s.peers.num[p.from]++
	return context.WithValue(ctx, peerKey{}, p)
}

// moved follows a connection to its end, closes one too many, and tells of one that never
// said what it wanted: slowly, or in no way that is understood.
func (s *Server) moved(c net.Conn, state http.ConnState) {
	s.peers.mu.Lock()
	p := s.peers.of[c]
	if p == nil {
		s.peers.mu.Unlock()
		return
	}
	full := false
	switch state {
	case http.StateNew:
		full = len(s.peers.of) > connectionsOfAll || s.cfg.Gate != nil && s.peers.num[p.from] > connectionsOfOne
	case http.StateActive:
		p.begun++
	case http.StateHijacked, http.StateClosed:
		delete(s.peers.of, c)
		if s.peers.num[p.from]--; s.peers.num[p.from] == 0 {
			delete(s.peers.num, p.from)
		}
	}
	begun := p.begun
	s.peers.mu.Unlock()
	switch {
	case full:
		s.logRefusal(p.from, "too many connections are open")
		c.Close()
	case state == http.StateClosed && int64(begun) > p.whole.Load():
		s.logRefusal(p.from, "what came was no whole request")
	}
}

// handled notes that a request of this connection was whole.
func handled(r *http.Request) {
	if p, ok := r.Context().Value(peerKey{}).(*peer); ok {
		p.whole.Add(1)
	}
}
