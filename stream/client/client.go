// Package client follows a running daemon over its live connection: it decodes
// frames, acknowledges them, and connects again when the daemon went away.
package client

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/analyze/air"
	"plumbline/stream/wire"
)

// Config says what to follow. The zero value of all but URL works.
type Config struct {
	URL   string // http://HOST:PORT of the daemon, as it printed it
	Token string // sent as a bearer token; empty: none
	// Fingerprint is the SHA-256 of the daemon's own certificate, hex with or without
	// colons, in place of a chain of others'; empty: the system's roots decide.
	Fingerprint     string
	FramesPerSecond float64 // 0: what the daemon sends by itself
	Microphones     []int   // channels; nil: all
	// Retry is how long to wait before connecting again; it doubles up to 5 s.
	// 0 is 250 ms.
	Retry time.Duration
}

// Client is one followed daemon. It is not for two goroutines.
type Client struct {
	cfg  Config
	live string // ws URL
	tls  *tls.Config
	conn *websocket.Conn

	hello    wire.Hello
	state    wire.State
	verdicts []wire.Verdict
	frame    wire.Frame
}

const (
	handshakeTimeout = 5 * time.Second
	// silence is how long a connection may be silent: the daemon pings every 10 s.
	silence  = 30 * time.Second
	maxRetry = 5 * time.Second
)

// Dial connects. The error is one line that says what to do.
func Dial(ctx context.Context, cfg Config) (*Client, error) {
	address := cfg.URL
	if !strings.Contains(address, "://") { // HOST:PORT
		address = "http://" + address
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || !validPort(u.Port()) {
		return nil, fmt.Errorf("%q is no address of a daemon: give what it printed, such as http://127.0.0.1:8737", cfg.URL)
	}
	if cfg.Retry == 0 {
		cfg.Retry = 250 * time.Millisecond
	}
	c := &Client{cfg: cfg, live: "ws" + strings.TrimPrefix(u.Scheme, "http") + "://" + u.Host + "/api/v1/live"}
	if cfg.Fingerprint != "" {
		if c.tls, err = pinned(cfg.Fingerprint); err != nil {
			return nil, err
		}
		if u.Scheme != "https" {
			return nil, fmt.Errorf("%s is not encrypted and has no fingerprint: give an address with https", cfg.URL)
		}
	}
	if err := c.connect(ctx); err != nil {
		return nil, err
	}
	return c, nil
}

// pinned takes one certificate for right, and no other.
func pinned(fingerprint string) (*tls.Config, error) {
	want, err := hex.DecodeString(strings.ReplaceAll(strings.TrimSpace(fingerprint), ":", ""))
	if err != nil || len(want) != sha256.Size {
		return nil, fmt.Errorf("a fingerprint is 32 bytes in hexadecimal, as the daemon's terminal shows it, not %q", fingerprint)
	}
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // what follows is asked in place of names and authorities
		VerifyConnection: func(s tls.ConnectionState) error {
			got := sha256.Sum256(s.PeerCertificates[0].Raw)
			if subtle.ConstantTimeCompare(got[:], want) != 1 {
				return errOther
			}
			return nil
		},
	}, nil
}

var errOther = errors.New("another certificate")

func validPort(port string) bool {
	_, err := strconv.ParseUint(port, 10, 16)
	return port == "" || err == nil
}

func (c *Client) connect(ctx context.Context) error {
	header := http.Header{}
	if c.cfg.Token != "" {
		header.Set("Authorization", "Bearer "+c.cfg.Token)
	}
	dialer := websocket.Dialer{HandshakeTimeout: handshakeTimeout, ReadBufferSize: 32 << 10, TLSClientConfig: c.tls}
	conn, response, err := dialer.DialContext(ctx, c.live, header)
	if err != nil {
		return c.explain(err, response)
	}
	conn.SetReadLimit(64 << 20)
	pong := conn.PingHandler()
	conn.SetPingHandler(func(data string) error {
		conn.SetReadDeadline(time.Now().Add(silence))
		return pong(data)
	})
	c.conn = conn
	c.verdicts = nil
	want := wire.ClientMessage{Type: wire.TypeWant, Microphones: c.cfg.Microphones}
	if c.cfg.FramesPerSecond != 0 {
		want.FramesPerSecond = &c.cfg.FramesPerSecond
	}
	if want.FramesPerSecond == nil && want.Microphones == nil {
		return nil
	}
	if err := c.send(want); err != nil {
		conn.Close()
		return fmt.Errorf("talk to %s: %w", c.cfg.URL, err)
	}
	return nil
}

// explain says what a failed connection means.
func (c *Client) explain(err error, response *http.Response) error {
	var lookup *net.DNSError
	var unknown *tls.CertificateVerificationError
	switch {
	case errors.Is(err, errOther):
		return fmt.Errorf("%s has another certificate than that of the fingerprint: compare it with what the daemon's terminal shows, and trust no other", c.cfg.URL)
	case errors.As(err, &unknown):
		return fmt.Errorf("nobody that this computer trusts vouches for %s: compare the fingerprint on the daemon's terminal, and give it as --fingerprint: %w", c.cfg.URL, err)
	case response != nil && errors.Is(err, websocket.ErrBadHandshake):
		defer response.Body.Close()
		var body wire.ErrorBody
		data, _ := io.ReadAll(io.LimitReader(response.Body, 4<<10))
		if json.Unmarshal(data, &body) == nil && body.Error.Text != "" {
			return fmt.Errorf("%s refuses: %w", c.cfg.URL, &body.Error)
		}
		return fmt.Errorf("%s answers, but is no plumbline daemon: give the address that the daemon printed", c.cfg.URL)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("nothing listens at %s: start plumbline demo or plumbline serve, or give the address it printed: %w", c.cfg.URL, err)
	case errors.As(err, &lookup):
		return fmt.Errorf("no machine is called %q: give the address that the daemon printed", lookup.Name)
	}
	return fmt.Errorf("connect to %s: %w", c.cfg.URL, err)
}

// Frame is what Next yields. It is valid until the next call of Next.
type Frame struct {
	*wire.Frame
	Hello    wire.Hello
	State    wire.State
	Verdicts []wire.Verdict
}

// Object is the frame as the JSON object of the contract.
func (f Frame) Object() wire.Object {
	return wire.NewObject(f.Frame, f.Hello, f.State, f.Verdicts, air.SpeedOfSound(f.State.Settings.TemperatureC))
}

// Next waits for the next frame. When the daemon goes away it connects again,
// for as long as ctx allows; it returns an error only when ctx is done or the
// daemon speaks another version.
func (c *Client) Next(ctx context.Context) (Frame, error) {
	retry := c.cfg.Retry
	for {
		if c.conn == nil {
			if err := c.connect(ctx); err != nil {
				if err := pause(ctx, retry); err != nil {
					return Frame{}, err
				}
				retry = min(2*retry, maxRetry)
				continue
			}
			retry = c.cfg.Retry
		}
		got, err := c.receive(ctx)
		switch {
		case got:
			return Frame{&c.frame, c.hello, c.state, c.verdicts}, nil
		case ctx.Err() != nil:
			return Frame{}, ctx.Err()
		case errors.As(err, new(*versionError)):
			return Frame{}, err
		case err != nil:
			c.Close()
		}
	}
}

type versionError struct{ err error }

func (e *versionError) Error() string { return e.err.Error() }
func (e *versionError) Unwrap() error { return e.err }

// receive reads one message; got says that it was a frame on a known grid.
func (c *Client) receive(ctx context.Context) (got bool, err error) {
	conn := c.conn
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	conn.SetReadDeadline(time.Now().Add(silence))
	kind, data, err := conn.ReadMessage()
	if err != nil {
		return false, err
	}
	if kind == websocket.TextMessage {
		return false, c.text(data)
	}
	if err := c.frame.Decode(data); err != nil {
		return false, &versionError{err}
	}
	if err := c.send(wire.ClientMessage{Type: wire.TypeAck, Seq: c.frame.Seq}); err != nil {
		return false, err
	}
	return c.frame.Epoch == c.hello.Epoch, nil
}

// text takes a message about the frames; unknown types are left for later versions.
func (c *Client) text(data []byte) error {
	var kind struct {
		Type string `json:"type"`
	}
	if err := json.Unmarshal(data, &kind); err != nil {
		return err
	}
	switch kind.Type {
	case wire.TypeHello:
		var h wire.Hello
		if err := json.Unmarshal(data, &h); err != nil {
			return err
		}
		if h.Version != wire.Version {
			return &versionError{fmt.Errorf("the daemon speaks version %d, this program version %d: use the same release on both ends", h.Version, wire.Version)}
		}
		c.hello = h
	case wire.TypeState:
		var m wire.StateMessage
		if err := json.Unmarshal(data, &m); err != nil {
			return err
		}
		c.state = m.State
	case wire.TypeAsk:
		return c.send(wire.ClientMessage{Type: wire.TypeHere})
	case wire.TypeVerdict:
		var v wire.Verdict
		if err := json.Unmarshal(data, &v); err != nil {
			return err
		}
		i := slices.IndexFunc(c.verdicts, func(x wire.Verdict) bool { return x.Microphone == v.Microphone })
		if i < 0 {
			c.verdicts = append(c.verdicts, v)
		} else {
			c.verdicts[i] = v
		}
	}
	return nil
}

func (c *Client) send(m wire.ClientMessage) error {
	c.conn.SetWriteDeadline(time.Now().Add(handshakeTimeout))
	return c.conn.WriteJSON(m)
}

// Close ends the connection; Next would open another one.
func (c *Client) Close() error {
	if c.conn == nil {
		return nil
	}
	err := c.conn.Close()
	c.conn = nil
	return err
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
