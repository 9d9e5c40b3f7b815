package access

import (
	"net/netip"
	"sync"
	"time"
)

// mostAddresses are counted one by one; all further ones together.
const mostAddresses = 8192

// Tally counts by address, and forgets at a steady rate. Its methods may be called from
// several goroutines.
type Tally struct {
	perSecond float64

	mu sync.Mutex
	of map[netip.Prefix]count
}

type count struct {
	n  float64 // at the time
	at time.Time
}

// NewTally forgets so many a second.
func NewTally(perSecond float64) *Tally {
	return &Tally{perSecond: perSecond, of: map[netip.Prefix]count{}}
}

// Add counts one more and returns what the address has now.
func (t *Tally) Add(from netip.Addr) float64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	key, c := t.now(from)
	c.n++
	t.of[key] = c
	return c.n
}

// Under counts one more unless the address had most then; false: it had.
func (t *Tally) Under(from netip.Addr, most float64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	key, c := t.now(from)
	if c.n+1 > most {
		return false
	}
	c.n++
	t.of[key] = c
	return true
}

// now is what an address has. mu is held.
func (t *Tally) now(from netip.Addr) (netip.Prefix, count) {
	now := time.Now()
	key := neighbourhood(from)
	c, known := t.of[key]
	if !known && len(t.of) >= mostAddresses {
		for k, old := range t.of {
			if t.left(old, now) == 0 {
				delete(t.of, k)
			}
		}
		if len(t.of) >= mostAddresses {
			key = netip.Prefix{}
			c = t.of[key]
		}
	}
	return key, count{t.left(c, now), now}
}

func (t *Tally) left(c count, now time.Time) float64 {
	return max(0, c.n-t.perSecond*now.Sub(c.at).Seconds())
}

// neighbourhood is what one machine has: an IPv4 address, or the 64 bits of an IPv6
// network, in which it may take any address.
func neighbourhood(a netip.Addr) netip.Prefix {
	a = a.Unmap()
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	p, err := a.WithZone("").Prefix(bits)
	if err != nil { // no address at all
		return netip.Prefix{}
	}
	return p
}
