package capture

import (
	"context"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"
)

// waker is one of the three ways in which one end of a ring wakes the other.
type waker struct {
	name  string
	ring  func() *Ring
	wait  func(context.Context, *Ring) error // on which the one end sleeps
	wake  func(*Ring)                        // what the other end does meanwhile
	inner func(context.Context, *Ring, func() bool) error
	ready func(*Ring) bool
	want  error
}

var wakers = []waker{
	{
		name:  "a write wakes the reader",
		ring:  func() *Ring { return NewRing(1, 4) },
		wait:  func(ctx context.Context, r *Ring) error { return r.Wait(ctx) },
		wake:  func(r *Ring) { r.Write([]float32{1}) },
		inner: onData,
		ready: func(r *Ring) bool { return r.Len() > 0 },
	},
	{
		name:  "the end wakes the reader",
		ring:  func() *Ring { return NewRing(1, 4) },
		wait:  func(ctx context.Context, r *Ring) error { return r.Wait(ctx) },
		wake:  (*Ring).Close,
		inner: onData,
		ready: func(r *Ring) bool { return r.closed.Load() },
		want:  io.EOF,
	},
	{
		name:  "a read wakes the writer",
		ring:  func() *Ring { r := NewRing(1, 2); r.Write([]float32{1, 2}); return r },
		wait:  func(ctx context.Context, r *Ring) error { return r.Offer(ctx, []float32{3}) },
		wake:  func(r *Ring) { r.Read(make([]float32, 1)) },
		inner: onRoom,
		ready: func(r *Ring) bool { return r.free() > 0 },
	},
}

func onData(ctx context.Context, r *Ring, ready func() bool) error {
	return wait(ctx, &r.wantsData, r.data, ready)
}

func onRoom(ctx context.Context, r *Ring, ready func() bool) error {
	return wait(ctx, &r.wantsRoom, r.room, ready)
}

// Who sleeps already is woken.
func TestRingWakesWhoSleeps(t *testing.T) {
	for _, c := range wakers {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithTimeout(t.Context(), time.Hour) // of the bubble
				defer cancel()
				r := c.ring()
				got := make(chan error, 1)
				go func() { got <- c.wait(ctx, r) }()
				synctest.Wait()
				if len(got) != 0 {
					t.Fatalf("did not wait: %v", <-got)
				}
				c.wake(r)
				if err := <-got; !errors.Is(err, c.want) {
					t.Errorf("woken with %v, want %v", err, c.want)
				}
			})
		})
	}
}

// What changes just after a look that saw nothing, and before the sleep, is not
// missed. That moment is made to happen: the look itself brings the change about,
// after it has looked.
func TestRingMissesNoChangeBetweenLookAndSleep(t *testing.T) {
	for _, c := range wakers {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
				defer cancel()
				r := c.ring()
				looks := 0
				err := c.inner(ctx, r, func() bool {
					ready := c.ready(r)
					if looks++; looks == 1 {
						c.wake(r)
					}
					return ready
				})
				if err != nil || looks != 2 {
					t.Errorf("%v after %d looks, want the change seen at the second", err, looks)
				}
			})
		})
	}
}

// A wake that nobody needed any more, since the look had seen the change, costs
// the next sleeper one look and does not end its wait.
func TestRingLeftoverWakeIsNotData(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := NewRing(1, 4)
		if err := onData(t.Context(), r, func() bool { r.Write([]float32{1}); return true }); err != nil {
			t.Fatal(err)
		}
		r.Read(make([]float32, 1))
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		if err := r.Wait(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("an empty, open ring: %v", err)
		}
	})
}
