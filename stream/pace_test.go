package stream

import (
	"testing"
	"time"
)

func TestPace(t *testing.T) {
	start := time.Unix(1e9, 0)
	// 20 frames a second published with jitter of ±4 ms, 20 wanted: none may be held back.
	t.Run("same rate", func(t *testing.T) {
		var p pace
		for i := range 200 {
			now := start.Add(time.Duration(i)*50*time.Millisecond + time.Duration(i*7919%9-4)*time.Millisecond)
			if d := p.wait(now, 50*time.Millisecond); d > 0 {
				t.Fatalf("frame %d would wait %v", i, d)
			}
			p.send(now, 50*time.Millisecond, uint64(i))
			p.acked(uint64(i))
		}
	})
	// 60 published, 10 wanted, over 10 s: 100 within 2.
	t.Run("lower rate", func(t *testing.T) {
		var p pace
		sent := 0
		for i := range 600 {
			now := start.Add(time.Duration(i) * time.Second / 60)
			if p.wait(now, 100*time.Millisecond) <= 0 {
				p.send(now, 100*time.Millisecond, uint64(i))
				p.acked(uint64(i))
				sent++
			}
		}
		if sent < 98 || sent > 102 {
			t.Errorf("%d frames, want 100", sent)
		}
	})
	t.Run("a pause is not made up for", func(t *testing.T) {
		var p pace
		p.send(start, 50*time.Millisecond, 1)
		later := start.Add(time.Hour)
		p.acked(1)
		p.send(later, 50*time.Millisecond, 2)
		p.acked(2)
		p.send(later, 50*time.Millisecond, 3) // somewhere between two frames
		if d := p.wait(later, 50*time.Millisecond); d < 40*time.Millisecond {
			t.Errorf("the next frame is due in %v", d)
		}
	})
	t.Run("a higher rate holds at once", func(t *testing.T) {
		var p pace
		p.send(start, 10*time.Second, 1)
		now := start.Add(time.Second)
		if d := p.wait(now, 10*time.Second); d != 9*time.Second-ahead-slack {
			t.Errorf("one in 10 s: the next is due in %v", d)
		}
		if d := p.wait(now, 50*time.Millisecond); d != 0 {
			t.Errorf("one in 50 ms: the next is due in %v", d)
		}
	})
	t.Run("a source that counts anew", func(t *testing.T) {
		var p pace
		p.send(start, time.Millisecond, 5000)
		p.send(start, time.Millisecond, 1)
		if p.room() {
			t.Error("room for a third")
		}
		p.acked(1) // covers the one before too
		if !p.room() || p.n != 0 {
			t.Errorf("%d on their way", p.n)
		}
	})
}
