package daemon

import (
	"context"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/capture"
)

// Each part ends when those before it have, and all of them within the limit, whichever
// hangs: that one is named, and the others are told as well.
func TestPartsEndInOrderAndInTime(t *testing.T) {
	names := []string{"survey", "server", "log", "analysis", "source"}
	for _, hangs := range append([]string{""}, names...) {
		synctest.Test(t, func(t *testing.T) {
			var mu sync.Mutex
			var ended []string
			told := map[string]bool{}
			var parts []running
			free := make(chan struct{})
			for _, name := range names {
				ctx, cancel := context.WithCancel(context.Background())
				done := make(chan struct{})
				go func() {
					defer close(done)
					<-ctx.Done()
					time.Sleep(100 * time.Millisecond) // of the bubble's clock
					mu.Lock()
					told[name] = true
					mu.Unlock()
					if name == hangs {
						<-free
						return
					}
					mu.Lock()
					ended = append(ended, name)
					mu.Unlock()
				}()
				parts = append(parts, running{name, cancel, done})
			}
			begun := time.Now()
			err := endAll(stopLimit, parts...)
			took := time.Since(begun)
			synctest.Wait()
			time.Sleep(time.Second)
			mu.Lock()
			defer mu.Unlock()
			if hangs == "" {
				if err != nil || took != 500*time.Millisecond || !slices.Equal(ended, names) {
					t.Errorf("ended %v in %v, %v", ended, took, err)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), "the "+hangs+" had not ended") || took != stopLimit {
				t.Errorf("%s hangs: %v after %v", hangs, err, took)
			}
			if before := slices.Index(names, hangs); !slices.Equal(ended[:before], names[:before]) || len(told) != len(names) {
				t.Errorf("%s hangs: ended %v, told %v", hangs, ended, told)
			}
			close(free)
		})
	}
}

// orderly is a source that looks, as it is told to end, what has ended before it.
type orderly struct {
	capture.Source
	saw func()
}

func (o *orderly) Run(ctx context.Context, ring *capture.Ring) error {
	err := o.Source.Run(ctx, ring)
	o.saw()
	return err
}

// The daemon ends in the order that it documents: as the source ends, nobody new is let in,
// the clients have been told, and the analysis takes no commands.
func TestTheDaemonEndsInOrder(t *testing.T) {
	src := &orderly{Source: newScript()}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(Config{Source: src, stopWithin: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	looked := false
	closed := make(chan error, 1)
	src.saw = func() {
		looked = true
		if c, err := net.Dial("tcp", l.Addr().String()); err == nil {
			c.Close()
			t.Error("somebody is let in while the source ends")
		}
		if err := <-closed; !websocket.IsCloseError(err, websocket.CloseGoingAway) {
			t.Errorf("a client heard %v, want 1001", err)
		}
		select {
		case <-d.ended:
		default:
			t.Error("the analysis runs on while the source ends")
		}
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx, l) }()
	conn, _, err := websocket.DefaultDialer.DialContext(ctx, "ws://"+l.Addr().String()+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, _, err := conn.ReadMessage(); err != nil { // it is in
		t.Fatal(err)
	}
	go func() {
		for {
			if _, _, err := conn.ReadMessage(); err != nil {
				closed <- err
				return
			}
		}
	}()
	cancel()
	if err := <-done; err != nil || !looked {
		t.Errorf("%v; looked %v", err, looked)
	}
}
