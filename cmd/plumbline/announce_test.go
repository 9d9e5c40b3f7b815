package main

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"plumbline/cmd/plumbline/announce"
	"plumbline/cmd/plumbline/announce/found"
	"plumbline/cmd/plumbline/network"
	"plumbline/stream"
)

// Whoever looks for it on the network finds it by name, and at that address and port the
// daemon answers, and asks for a token.
func TestFoundByNameOnTheNetwork(t *testing.T) {
	n := startOnNetwork(t, "--empty")
	_, digits, err := net.SplitHostPort(n.host)
	if err != nil {
		t.Fatal(err)
	}
	number, err := strconv.ParseUint(digits, 10, 16)
	if err != nil {
		t.Fatal(err)
	}
	port := uint16(number)
	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	s := found.On(t, found.Loopback(t), announce.HTTP, announce.Config{Host: host, Port: port}.Name())
	if s.Instance.Port != port {
		t.Errorf("found at port %d, listening on %s", s.Instance.Port, n.url)
	}
	n.url = fmt.Sprintf("http://%s:%d", s.Addr, s.Instance.Port)
	for token, want := range map[string]int{"": http.StatusUnauthorized, n.viewer: http.StatusOK} {
		if status, text, _ := n.do(t, "GET", "/api/v1/state", "", token); status != want {
			t.Errorf("%s answers %d %.100s, want %d", n.url, status, text, want)
		}
	}
}

// Loopback is not announced, nor is what must not be; what is encrypted is announced as such.
func TestWhatIsAnnounced(t *testing.T) {
	for _, c := range []struct {
		listen, tls string
		announce    bool
		service     string // empty: none
	}{
		{"127.0.0.1:0", "", true, ""},
		{"127.0.0.1:0", "auto", true, ""},
		{"0.0.0.0:0", "", false, ""},
		{"0.0.0.0:0", "", true, announce.HTTP},
		{"0.0.0.0:0", "auto", true, announce.HTTPS},
	} {
		l, err := stream.Listen(t.Context(), c.listen)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		front, err := network.Open(l, network.Config{TLS: c.tls, Tokens: filepath.Join(t.TempDir(), "tokens.json")})
		if err != nil {
			t.Fatal(err)
		}
		f := daemonFlags{tls: c.tls, announce: c.announce}
		got, ok := f.announced(front)
		if ok != (c.service != "") || got.Service != c.service || ok && got.Port == 0 {
			t.Errorf("%+v is announced as %+v, %v", c, got, ok)
		}
	}
}
