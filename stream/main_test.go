package stream

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/analyze/setting"
	"plumbline/capture/leak"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) {
	leak.Strict(m)
}

// operator is a State in memory.
type operator struct {
	mu    sync.Mutex
	state State
	rig   RigScene
	reset string // by whom
}

func newOperator() *operator {
	return &operator{
		state: State{
			Revision: 1, Epoch: 1,
			Source:   Source{Kind: "rig", Name: "small hall", RateHz: 48000, Channels: []string{"reference", "seat 1", "seat 2"}, State: "running"},
			Settings: setting.Default(1, []int{2}),
		},
		rig: RigScene{Revision: 1, Name: "small hall", Room: wire.RigRoom{SizeM: [3]float64{24, 16, 7}},
			Loudspeakers: []wire.RigLoudspeaker{{Name: "fill", Polarity: "same", LowHz: 60, HighHz: 16000}}},
	}
}

func (o *operator) State() State {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.state
}

func (o *operator) Change(_ context.Context, p SettingsPatch, by string) (State, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	s, err := p.Apply(o.state.Settings, len(o.state.Source.Channels))
	if err != nil {
		return o.state, err
	}
	o.state.Settings, o.state.ChangedBy = s, by
	o.state.Revision++
	return o.state, nil
}

func (o *operator) Reset(_ context.Context, by string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.reset = by
	return nil
}

func (o *operator) Rig() RigScene {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.rig
}

func (o *operator) ChangeRig(_ context.Context, p RigPatch, by string) (RigScene, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	r, err := o.rig.Apply(p)
	if err != nil {
		return o.rig, err
	}
	r.ChangedBy = by
	r.Revision++
	o.rig = r
	return r, nil
}

var testUI = fstest.MapFS{
	"index.html": {Data: []byte("<!doctype html><html lang=\"en\"><title>plumbline</title></html>")},
	"app.js":     {Data: []byte("export const x = 1;")},
	"report.js":  {Data: []byte("const x = 1;\n")},
	"notes.go":   {Data: []byte("package ui")},
}

// server is one that serves on a free port.
type server struct {
	*Server
	op   *operator
	addr string
	end  func() // and wait
}

func serve(t testing.TB) *server { return serveConfig(t, "127.0.0.1:0", Config{}) }

func serveConfig(t testing.TB, addr string, cfg Config) *server {
	t.Helper()
	op := newOperator()
	cfg.Operator, cfg.Rig, cfg.UI = op, op, testUI
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	l, err := Listen(t.Context(), addr)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- s.Run(ctx, l) }()
	end := sync.OnceFunc(func() {
		cancel()
		if err := <-ran; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(end)
	return &server{s, op, l.Addr().String(), end}
}

// page is a client as a browser is one.
type page struct {
	t    testing.TB
	conn *websocket.Conn
}

func (s *server) open(t testing.TB) *page {
	t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+s.addr+"/api/v1/live", http.Header{"Origin": {"http://" + s.addr}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &page{t, conn}
}

// next is the next message: text as a map with its type, or a frame.
func (p *page) next() (string, map[string]any, *wire.Frame) {
	p.t.Helper()
	p.conn.SetReadDeadline(time.Now().Add(3 * time.Minute))
	kind, data, err := p.conn.ReadMessage()
	if err != nil {
		p.t.Fatal(err)
	}
	if kind == websocket.BinaryMessage {
		f := new(wire.Frame)
		if err := f.Decode(data); err != nil {
			p.t.Fatal(err)
		}
		return "frame", nil, f
	}
	var m map[string]any
	if err := json.Unmarshal(data, &m); err != nil {
		p.t.Fatal(err)
	}
	return m["type"].(string), m, nil
}

// until reads on to the next message of that type.
func (p *page) until(kind string) (map[string]any, *wire.Frame) {
	p.t.Helper()
	for {
		if k, m, f := p.next(); k == kind {
			return m, f
		}
	}
}

func (p *page) send(text string) {
	p.t.Helper()
	if err := p.conn.WriteMessage(websocket.TextMessage, []byte(text)); err != nil {
		p.t.Fatal(err)
	}
}

func (p *page) ack(seq uint64) { p.send(fmt.Sprintf(`{"type":"ack","seq":%d}`, seq)) }

// waitFor polls a condition that no message announces.
func waitFor(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(3 * time.Minute); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited 10 s for %s", what)
		}
	}
}

// do makes an HTTP request and returns the answer.
func (s *server) do(t testing.TB, method, path, body string, header ...string) (int, string, http.Header) {
	t.Helper()
	r, err := http.NewRequest(method, "http://"+s.addr+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	r.Close = true // no connection outlives its test
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var b strings.Builder
	buf := make([]byte, 4096)
	for {
		n, err := res.Body.Read(buf)
		b.Write(buf[:n])
		if err != nil {
			break
		}
	}
	return res.StatusCode, b.String(), res.Header
}

// pump publishes a frame every interval until the test ends; change may alter it.
func (s *server) pump(t testing.TB, interval time.Duration, change func(seq uint64)) (stop func()) {
	done, ended := make(chan struct{}), make(chan struct{})
	f := frametest.New(2)
	go func() {
		defer close(ended)
		tick := time.NewTicker(interval)
		defer tick.Stop()
		for f.Seq = 1; ; f.Seq++ {
			if change != nil {
				change(f.Seq)
			}
			f.Sample += 2400
			s.Publish(f)
			select {
			case <-done:
				return
			case <-tick.C:
			}
		}
	}()
	stop = sync.OnceFunc(func() { close(done); <-ended })
	t.Cleanup(stop)
	return stop
}
