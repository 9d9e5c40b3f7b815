package stream

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// ownHost: a request must name this machine, by a name or number that no foreign name
// server can have led here (DNS rebinding). Any port: it may be the near end of a tunnel.
func (s *Server) ownHost(r *http.Request) bool {
	if localHost(r.Host) {
		return true
	}
	if s.cfg.Gate == nil {
		return false
	}
	name := hostName(r.Host)
	if ip, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil && ownAddress(r, ip.Unmap()) {
		return true
	}
	return slices.ContainsFunc(s.cfg.Hosts, func(own string) bool { return strings.EqualFold(own, strings.TrimSuffix(name, ".")) })
}

// ownAddress: the address that the connection came to, or another one of this machine.
func ownAddress(r *http.Request, ip netip.Addr) bool {
	if local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		if at, err := netip.ParseAddrPort(local.String()); err == nil && at.Addr().Unmap().WithZone("") == ip.WithZone("") {
			return true
		}
	}
	all, err := net.InterfaceAddrs()
	return err == nil && slices.ContainsFunc(all, func(a net.Addr) bool {
		p, err := netip.ParsePrefix(a.String())
		return err == nil && p.Addr().Unmap() == ip.WithZone("")
	})
}

// localHost: only names that cannot be rebound to this machine by a foreign
// name server.
func localHost(host string) bool {
	name := hostName(host)
	if strings.EqualFold(name, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(strings.Trim(name, "[]"))
	return err == nil && ip.IsLoopback()
}

// hostName is a host without its port.
func hostName(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		return h
	}
	return host
}

// sameOrigin: no Origin (not a browser, or a plain GET of one), or our own.
func sameOrigin(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == scheme && strings.EqualFold(u.Host, r.Host)
}
