// Package found is for tests: it looks for services as any other computer would, but on
// the loopback interface alone, so that nothing leaves this computer.
package found

import (
	"context"
	"io"
	"net"
	"testing"

	"github.com/pion/logging"
	"github.com/pion/mdns/v2"
	"golang.org/x/net/ipv4"
)

// Loopback is the interface of this computer that reaches nobody else.
func Loopback(t testing.TB) net.Interface {
	t.Helper()
	all, err := net.Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range all {
		if i.Flags&net.FlagLoopback != 0 && i.Flags&net.FlagUp != 0 {
			return i
		}
	}
	t.Skip("this computer has no loopback interface")
	return net.Interface{}
}

// On browses until a service of that name is found.
func On(t testing.TB, on net.Interface, service, name string) mdns.ServiceEvent {
	t.Helper()
	group, err := net.ResolveUDPAddr("udp4", mdns.DefaultAddressIPv4)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.ListenUDP("udp4", group)
	if err != nil {
		t.Fatal(err)
	}
	quiet := logging.NewDefaultLoggerFactory()
	quiet.Writer = io.Discard
	c, err := mdns.NewServer(ipv4.NewPacketConn(l), nil, mdns.WithInterfaces(on), mdns.WithIncludeLoopback(true), mdns.WithLoggerFactory(quiet))
	if err != nil {
		l.Close()
		t.Fatal(err)
	}
	defer c.Close()
	events := make(chan mdns.ServiceEvent, 64)
	c.OnServiceDiscovered(func(e mdns.ServiceEvent) {
		select {
		case events <- e:
		default: // of others, and more than anybody reads
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		c.Browse(ctx, service) // it ends with the context
	}()
	defer func() { cancel(); <-ended }()
	for e := range events {
		if e.Instance.Instance == name {
			return e
		}
	}
	return mdns.ServiceEvent{}
}
