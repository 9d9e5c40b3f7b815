package watching

import (
	"context"
	"testing"

	"plumbline/stream/wire"
)

// Who ends while a baseline is learnt does not wait for it, and leaves it to be learnt
// after the restart.
func TestLearningEndsWithItsContext(t *testing.T) {
	p := newPlace(t)
	take, err := p.show.Take(p.take(newHall(1), 16, nil, "main", "fill"))
	if err != nil {
		t.Fatal(err)
	}
	p.stop()
	for _, ended := range []bool{true, false} {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		s := newSession(p.show, take, 3, "c1")
		p.mu.Lock()
		p.add(s)
		p.mu.Unlock()
		if ended {
			cancel()
		}
		p.learn(ctx, s)
		want := wire.WatchListens
		if ended {
			want = wire.WatchLearning
		}
		if s.view.State != want {
			t.Errorf("ended %v: the state is %s, want %s: %s", ended, s.view.State, want, s.view.Text)
		}
		// Nothing of it was computed.
		if b, _, err := p.baseline(ctx, p.show, &take); (b == nil) != ended || (err != nil) != ended {
			t.Errorf("ended %v: baseline %v, %v", ended, b != nil, err)
		}
	}
}
