package announce

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/capture/leak"
	"plumbline/cmd/plumbline/announce/found"
)

func TestMain(m *testing.M) { leak.Strict(m) }

func TestNames(t *testing.T) {
	for _, c := range []struct {
		host string
		port uint16
		want string
	}{
		{"desk", 8737, "plumbline on desk"},
		{"desk.lan.example", 8737, "plumbline on desk"},
		{"desk", 9000, "plumbline on desk, port 9000"},
		{"", 8737, "plumbline on this computer"},
		{strings.Repeat("ü", 40), 8737, "plumbline on " + strings.Repeat("ü", 25)}, // 63 bytes, whole letters
	} {
		if got := (Config{Host: c.host, Port: c.port}).Name(); got != c.want || len(got) > longestName {
			t.Errorf("%s at %d is %q, want %q", c.host, c.port, got, c.want)
		}
	}
}

// Where it is listened on loopback, or at an address that no interface has, there is
// nothing to answer on; loopback is never among the rest.
func TestReaching(t *testing.T) {
	for _, ip := range []string{"127.0.0.1", "192.0.2.7", "::1"} {
		if on, err := Reaching(&net.TCPAddr{IP: net.ParseIP(ip), Port: 8737})(); len(on) != 0 || err != nil {
			t.Errorf("%s is reached on %v, %v", ip, on, err)
		}
	}
	on, err := Reaching(&net.TCPAddr{IP: net.IPv4zero, Port: 8737})()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range on {
		if loops(i) {
			t.Errorf("%s is among them", i.Name)
		}
	}
}

// Who browses finds it, with its port and its host's address; when its interface goes and
// comes back it is found again. All of it on the loopback interface alone.
func TestIsFound(t *testing.T) {
	lo := found.Loopback(t)
	var mu sync.Mutex
	on := []net.Interface{lo}
	var said bytes.Buffer // read when it has ended
	cfg := Config{Logger: slog.New(slog.NewTextHandler(&said, nil)), Port: 47, Host: "desk.example", Service: HTTP, Interfaces: func() ([]net.Interface, error) {
		mu.Lock()
		defer mu.Unlock()
		return on, nil
	}}
	set := func(to ...net.Interface) {
		mu.Lock()
		defer mu.Unlock()
		on = to
	}
	ctx, cancel := context.WithCancel(t.Context())
	look, ended := make(chan time.Time), make(chan struct{})
	go func() {
		defer close(ended)
		run(ctx, cfg, look)
	}()
	for range 2 {
		s := found.On(t, lo, HTTP, "plumbline on desk, port 47")
		if s.Instance.Port != 47 || s.Instance.Host != "desk.local." || !s.Addr.IsLoopback() || len(s.Instance.Text) != 1 || s.Instance.Text[0].Key != "path" {
			t.Errorf("found is %+v", s)
		}
		set()
		look <- time.Time{}
		look <- time.Time{} // taken when the first was seen to
		set(lo)
		look <- time.Time{}
	}
	cancel()
	<-ended
	if n := strings.Count(said.String(), `name="plumbline on desk, port 47"`); n != 3 {
		t.Errorf("it began to answer %d times, want 3: %s", n, said.String())
	}
}
