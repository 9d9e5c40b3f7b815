package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// venue is a whole daemon on a virtual rig, under a clock of its own: the rig
// plays at its pace, the pump takes 20 frames a second, sentences are asked for
// over the API, and a minute of it takes a second or two.
type venue struct {
	t *testing.T
	d *Daemon
	r *rig.Rig
	// cut takes the reference off the source; only of what is unmarked.
	cut *atomic.Bool
}

// open runs a daemon on the scene while visit lasts. Unmarked, the source does
// not say when something was changed: neither does a device.
func open(t *testing.T, scene rig.Scene, unmarked bool, visit func(v *venue)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r, err := rig.New(scene, rig.Config{Pace: true})
		if err != nil {
			t.Fatal(err)
		}
		cfg := Config{Source: r, Rig: r}
		var cut atomic.Bool
		if unmarked {
			cfg.Source = discreet{r, &cut}
		}
		d, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- d.Run(ctx, newDeafListener()) }()
		visit(&venue{t, d, r, &cut})
		if c := r.Counters(); c != (capture.Counters{}) {
			t.Errorf("samples were lost: %+v", c)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// wait lets the venue play on.
func (v *venue) wait(d time.Duration) {
	time.Sleep(d) // of the bubble's clock
	synctest.Wait()
}

// ask sends a request to the API, and reads the answer into out.
func (v *venue) ask(method, path string, in, out any) {
	v.t.Helper()
	body, err := json.Marshal(in)
	if err != nil {
		v.t.Fatal(err)
	}
	req := httptest.NewRequest(method, "http://localhost"+path, bytes.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	res := httptest.NewRecorder()
	v.d.server.ServeHTTP(res, req)
	if res.Code != http.StatusOK {
		v.t.Fatalf("%s %s: %s", method, path, res.Body)
	}
	if err := json.Unmarshal(res.Body.Bytes(), out); err != nil {
		v.t.Fatal(err)
	}
}

// frame is the newest.
func (v *venue) frame() (o wire.Object) {
	v.t.Helper()
	v.ask(http.MethodGet, "/api/v1/frame", nil, &o)
	return o
}

// change changes the rig.
func (v *venue) change(p stream.RigPatch) {
	v.t.Helper()
	var scene stream.RigScene
	v.ask(http.MethodPatch, "/api/v1/rig", p, &scene)
}

// set changes the settings.
func (v *venue) set(p stream.SettingsPatch) {
	v.t.Helper()
	var state stream.State
	v.ask(http.MethodPatch, "/api/v1/settings", p, &state)
}

// discreet plays a rig, and does not say when something is changed.
type discreet struct {
	*rig.Rig
	cut *atomic.Bool
}

func (s discreet) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	ctx, cancel := context.WithCancel(ctx)
	own := capture.NewRing(out.Channels(), 8192)
	done := make(chan error, 1)
	go func() { done <- s.Rig.Run(ctx, own) }()
	block := make([]float32, 512*out.Channels())
	for {
		if own.Wait(ctx) != nil {
			cancel()
			return <-done
		}
		n, _, gap := own.Read(block)
		if gap.Changed = false; gap != (capture.Gap{}) {
			out.Mark(gap)
		}
		for i := 0; s.cut.Load() && i < n; i++ {
			block[i*out.Channels()] = 0
		}
		out.Write(block[:n*out.Channels()])
	}
}

// deafListener is an address that nobody calls.
type deafListener struct {
	once   sync.Once
	closed chan struct{}
}

func newDeafListener() *deafListener { return &deafListener{closed: make(chan struct{})} }

func (l *deafListener) Accept() (net.Conn, error) {
	<-l.closed
	return nil, net.ErrClosed
}

func (l *deafListener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}

func (l *deafListener) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }
