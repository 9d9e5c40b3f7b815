package stream

import (
	"context"
	"errors"
	"fmt"
	"net"
	"syscall"
)

// Listen checks the address and binds it. The error says what to do when the
// port is taken.
func Listen(ctx context.Context, addr string) (net.Listener, error) {
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return nil, fmt.Errorf("listen address %q is not HOST:PORT: try 127.0.0.1:8737", addr)
	}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	if errors.Is(err, syscall.EADDRINUSE) {
		host, port, _ := net.SplitHostPort(addr)
		return nil, fmt.Errorf("port %s is taken, perhaps by another plumbline: end that, or try --listen %s", port, net.JoinHostPort(host, "0"))
	}
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w: try --listen 127.0.0.1:0", addr, err)
	}
	return l, nil
}

// Loopback says whether only this computer can reach a listener.
func Loopback(l net.Listener) bool {
	at, ok := l.Addr().(*net.TCPAddr)
	return !ok || at.IP.IsLoopback() // what is no TCP is no network
}
