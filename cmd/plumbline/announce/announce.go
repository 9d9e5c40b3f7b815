// Package announce lets others on the local network find a daemon by its name: DNS-SD
// (RFC 6763) over multicast DNS (RFC 6762). It answers who asks and sends nothing by
// itself. What can be found is that there is a daemon, its host and its port, and no token.
package announce

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/pion/logging"
	"github.com/pion/mdns/v2"
	"golang.org/x/net/ipv4"
)

// Services that a daemon is found as.
const (
	HTTP  = "_http._tcp"
	HTTPS = "_https._tcp"
)

// A cable is plugged in, a network joined: that is looked at so often.
const lookEvery = 10 * time.Second

const (
	longestName = 63   // bytes (RFC 6763, 4.1.1)
	usualPort   = 8737 // that a name does not mention
)

// Config of what is announced.
type Config struct {
	Port uint16
	// Host is this computer's name; what follows a dot is left out.
	Host string
	// Service is HTTP or HTTPS.
	Service string
	// Interfaces are those that it can be reached on now. It is called again and again.
	Interfaces func() ([]net.Interface, error)
	Logger     *slog.Logger // nil: none
}

// Name is what people find it as: "plumbline on HOST", and the port where it is not the usual one.
func (c Config) Name() string {
	const before = "plumbline on "
	host, port := c.label(), ""
	if c.Port != usualPort {
		port = fmt.Sprintf(", port %d", c.Port)
	}
	return before + strings.ToValidUTF8(host[:min(len(host), longestName-len(before)-len(port))], "") + port
}

func (c Config) label() string {
	host, _, _ := strings.Cut(c.Host, ".")
	return cmp.Or(host, "this computer")
}

// Run announces until the context ends, on whatever interfaces there are then. Where it
// cannot, the log says so: a daemon is of use without a name.
func Run(ctx context.Context, cfg Config) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	run(ctx, cfg, tick.C)
}

func run(ctx context.Context, cfg Config, look <-chan time.Time) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	var on *mdns.Conn
	defer func() { closeConn(on) }()
	for now := ""; ; {
		if found, key := current(cfg.Interfaces); key != now {
			closeConn(on)
			on, now = nil, key
			if len(found) > 0 {
				var err error
				if on, err = answer(cfg, found); err != nil {
					cfg.Logger.Warn("not to be found by name on the network", "err", err)
				} else {
					cfg.Logger.Info("to be found on the network", "name", cfg.Name(), "service", cfg.Service, "interfaces", names(found))
				}
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-look:
		}
	}
}

func closeConn(c *mdns.Conn) {
	if c != nil {
		c.Close() // of sockets, that nobody waits for any more
	}
}

// current are the interfaces, and a key that differs when any of their addresses does.
func current(interfaces func() ([]net.Interface, error)) ([]net.Interface, string) {
	found, err := interfaces()
	if err != nil {
		return nil, "" // looked at again
	}
	var key strings.Builder
	for _, i := range found {
		addresses, _ := i.Addrs() // without any, there are none to be reached at
		fmt.Fprint(&key, i.Name, addresses, " ")
	}
	return found, key.String()
}

func names(of []net.Interface) string {
	list := make([]string, len(of))
	for k, i := range of {
		list[k] = i.Name
	}
	return strings.Join(list, ", ")
}

// answer listens for questions on some interfaces, beside others of this computer that do.
func answer(cfg Config, on []net.Interface) (*mdns.Conn, error) {
	group, err := net.ResolveUDPAddr("udp4", mdns.DefaultAddressIPv4)
	if err != nil {
		return nil, err
	}
	l, err := net.ListenUDP("udp4", group)
	if err != nil {
		return nil, fmt.Errorf("listen for who looks for us on the network: %w", err)
	}
	quiet := logging.NewDefaultLoggerFactory() // whoever sends nonsense must not fill the log
	quiet.Writer = io.Discard
	// The host's own name is looked up like that of any other service.
	host := cfg.label() + ".local"
	c, err := mdns.NewServer(ipv4.NewPacketConn(l), nil,
		mdns.WithInterfaces(on...), mdns.WithIncludeLoopback(slices.ContainsFunc(on, loops)), mdns.WithLoggerFactory(quiet), mdns.WithLocalNames(strings.ReplaceAll(host, " ", "-")),
		mdns.WithService(mdns.ServiceInstance{Instance: cfg.Name(), Service: cfg.Service, Port: cfg.Port, Text: []mdns.TXTEntry{{Key: "path", Value: []byte("/")}}}))
	if err != nil {
		l.Close()
		return nil, fmt.Errorf("answer who looks for us on the network: %w", err)
	}
	return c, nil
}

func loops(i net.Interface) bool { return i.Flags&net.FlagLoopback != 0 }

// Reaching returns the interfaces, loopback apart, that a listener is reached on over IPv4.
func Reaching(l net.Addr) func() ([]net.Interface, error) {
	return func() ([]net.Interface, error) {
		at, ok := l.(*net.TCPAddr)
		if !ok {
			return nil, nil
		}
		all, err := net.Interfaces()
		if err != nil {
			return nil, err
		}
		return slices.DeleteFunc(all, func(i net.Interface) bool {
			return i.Flags&net.FlagUp == 0 || i.Flags&net.FlagMulticast == 0 || loops(i) || !has(i, at.IP)
		}), nil
	}
}

// has tells whether an interface has an IPv4 address that is, or stands for, one that is
// listened to.
func has(i net.Interface, listened net.IP) bool {
	addresses, err := i.Addrs()
	return err == nil && slices.ContainsFunc(addresses, func(a net.Addr) bool {
		n, ok := a.(*net.IPNet)
		return ok && n.IP.To4() != nil && (listened.IsUnspecified() || listened.Equal(n.IP))
	})
}
