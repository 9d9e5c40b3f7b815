package capture

import (
	"context"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"
)

// between does something at a moment of a wait that no schedule hits on purpose. Who
// waits asks its context for the error before it says that it waits, and for Done
// behind its last look and in front of its sleep.
type between struct {
	context.Context
	err, done func()
}

func (b *between) Err() error {
	once(&b.err)
	return b.Context.Err()
}

func (b *between) Done() <-chan struct{} {
	once(&b.done)
	return b.Context.Done()
}

func once(f *func()) {
	if g := *f; g != nil {
		*f = nil
		g()
	}
}

// patience is how long a wait may sleep under the bubble's clock before it is taken
// for one that nobody wakes.
const patience = time.Hour

// What is written, read or closed while the other side goes to sleep wakes it, be it
// ahead of its last look or behind it.
func TestNoWakeUpIsLost(t *testing.T) {
	block := []float32{1, 2, 3, 4}
	full := func(r *Ring) {
		for r.Write(block) {
		}
	}
	for _, c := range []struct {
		name   string
		before func(r *Ring)
		act    func(r *Ring)
		wait   func(ctx context.Context, r *Ring) error
		want   error
	}{
		{"a reader, and a block is written", nil, func(r *Ring) { r.Write(block) },
			func(ctx context.Context, r *Ring) error { return r.Wait(ctx) }, nil},
		{"a reader, and a block is offered", nil, func(r *Ring) { r.Offer(context.Background(), block) },
			func(ctx context.Context, r *Ring) error { return r.Wait(ctx) }, nil},
		{"a reader, and the ring is closed", nil, func(r *Ring) { r.Close() },
			func(ctx context.Context, r *Ring) error { return r.Wait(ctx) }, io.EOF},
		{"a reader, and a block is written and the ring closed", nil, func(r *Ring) { r.Write(block); r.Close() },
			func(ctx context.Context, r *Ring) error { return r.Wait(ctx) }, nil},
		{"a writer, and a block is read", full, func(r *Ring) { r.Read(make([]float32, 4)) },
			func(ctx context.Context, r *Ring) error { return r.Offer(ctx, block[:2]) }, nil},
	} {
		for _, behind := range []bool{false, true} {
			synctest.Test(t, func(t *testing.T) {
				r := NewRing(2, 8)
				if c.before != nil {
					c.before(r)
				}
				ctx, cancel := context.WithTimeout(t.Context(), patience)
				defer cancel()
				b := &between{Context: ctx}
				acted := false
				act := func() { acted = true; c.act(r) }
				if behind {
					b.done = act
				} else {
					b.err = act
				}
				if err := c.wait(b, r); !errors.Is(err, c.want) {
					t.Errorf("%s, behind the last look %v: %v, want %v", c.name, behind, err, c.want)
				}
				if !acted {
					t.Errorf("%s, behind the last look %v: it did not wait", c.name, behind)
				}
			})
		}
	}
}

// A wake-up that comes when the sleeper has just seen by itself what there is stays
// behind. It is neither taken for samples, nor for the end, nor in the way of the next.
func TestWakeUpLeftBehindIsNoSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := NewRing(1, 8)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		// The last look of one who has said that it waits, and a block just in front.
		if err := wait(ctx, &r.wantsData, r.data, func() bool { return r.Write([]float32{1}) }); err != nil {
			t.Fatal(err)
		}
		if len(r.data) != 1 {
			t.Fatal("no wake-up was left behind")
		}
		r.Read(make([]float32, 1))
		for i := range 3 {
			got := make(chan error, 1)
			go func() { got <- r.Wait(ctx) }()
			time.Sleep(time.Second)
			synctest.Wait()
			select {
			case err := <-got:
				t.Fatalf("wait %d ended with %v and nothing there", i, err)
			default:
			}
			r.Write([]float32{2})
			if err := <-got; err != nil {
				t.Fatalf("wait %d: %v", i, err)
			}
			if n, _, _ := r.Read(make([]float32, 1)); n != 1 {
				t.Fatalf("wait %d: nothing to read", i)
			}
		}
	})
}
