package network

import (
	"net"
	"net/netip"
	"slices"
	"strconv"
)

// reachable are the addresses, HOST:PORT, that a listener can be reached at; the one of
// the way out of this computer first. There is always one.
func reachable(l net.Listener) []string {
	at, ok := l.Addr().(*net.TCPAddr)
	if !ok {
		return []string{l.Addr().String()}
	}
	if !at.IP.IsUnspecified() {
		return []string{at.String()}
	}
	var own []netip.Addr
	if a, ok := wayOut(); ok {
		own = append(own, a)
	}
	all, _ := net.InterfaceAddrs() // without any, this computer can still reach it
	for _, a := range all {
		p, err := netip.ParsePrefix(a.String())
		if err != nil {
			continue
		}
		if ip := p.Addr().Unmap(); ip.Is4() && ip.IsGlobalUnicast() && !slices.Contains(own, ip) {
			own = append(own, ip)
		}
	}
	if len(own) == 0 {
		own = append(own, netip.MustParseAddr("127.0.0.1"))
	}
	hosts := make([]string, len(own))
	for i, ip := range own {
		hosts[i] = net.JoinHostPort(ip.String(), strconv.Itoa(at.Port))
	}
	return hosts
}

// wayOut is the address that this computer has towards others. Nothing is sent to find
// it: choosing a peer of a datagram socket chooses the route (192.0.2.1 is for
// documentation, RFC 5737).
func wayOut() (netip.Addr, bool) {
	c, err := net.Dial("udp4", "192.0.2.1:9")
	if err != nil {
		return netip.Addr{}, false
	}
	defer c.Close()
	at, err := netip.ParseAddrPort(c.LocalAddr().String())
	return at.Addr(), err == nil && at.Addr().IsGlobalUnicast()
}
