package capture

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"testing"

	"plumbline/capture/leak"
)

func TestMain(m *testing.M) { leak.Main(m) }

// ramp makes frames whose every sample says where it belongs: frame index and
// channel.
func ramp(channels, from, frames int) []float32 {
	b := make([]float32, 0, channels*frames)
	for i := range frames {
		for c := range channels {
			b = append(b, float32((from+i)*channels+c))
		}
	}
	return b
}

func TestRingRoundsUpToAPowerOfTwo(t *testing.T) {
	for frames, want := range map[int]int{1: 1, 2: 2, 3: 4, 1000: 1024, 1024: 1024} {
		if got := NewRing(3, frames).Cap(); got != want {
			t.Errorf("room for %d frames: got %d, want %d", frames, got, want)
		}
	}
}

func TestRingDropsWholeBlocksAndMarksThem(t *testing.T) {
	r := NewRing(2, 8)
	if !r.Write(ramp(2, 0, 6)) {
		t.Fatal("six frames do not fit eight")
	}
	if r.Write(ramp(2, 6, 3)) || r.Write(ramp(2, 9, 4)) {
		t.Fatal("a block was stored in part")
	}
	if r.Dropped() != 7 || r.Len() != 6 {
		t.Fatalf("dropped %d, stored %d; want 7 and 6", r.Dropped(), r.Len())
	}
	buf := make([]float32, 32)
	if n, at, gap := r.Read(buf); n != 6 || at != 0 || gap != (Gap{}) {
		t.Fatalf("first read: %d frames at %d after %v", n, at, gap)
	}
	r.Write(ramp(2, 13, 2))
	n, at, gap := r.Read(buf)
	if n != 2 || at != 13 || gap != (Gap{Cause: Full, LostFrames: 7}) {
		t.Fatalf("after the loss: %d frames at %d after %v; want 2 at 13 after 7 lost", n, at, gap)
	}
	if buf[0] != 26 || buf[3] != 29 {
		t.Fatalf("samples %v are not those of frame 13", buf[:4])
	}
}

func TestRingReadStopsAtAGap(t *testing.T) {
	r := NewRing(1, 16)
	r.Write(ramp(1, 0, 3))
	r.Mark(Gap{Changed: true})
	r.Mark(Gap{Cause: Overflow, LostFrames: 5})
	r.Mark(Gap{Cause: Zeros, LostFrames: 2})
	r.Write(ramp(1, 10, 4))
	buf := make([]float32, 16)
	if n, _, gap := r.Read(buf); n != 3 || gap != (Gap{}) {
		t.Fatalf("before the gap: %d frames after %v", n, gap)
	}
	if n, at, gap := r.Read(buf); n != 4 || at != 10 || gap != (Gap{Overflow, 7, true}) {
		t.Fatalf("behind the gap: %d frames at %d after %v; want 4 at 10 after 7 lost to overflow", n, at, gap)
	}
}

// Of marks at one place the first one that lost samples names the cause, else the
// first; what they lost adds up, and that something was changed stays known.
// What is lost with nothing after it has no frame to lie in front of.
func TestRingTellsWhatIsMissingAtItsEnd(t *testing.T) {
	r := NewRing(1, 4)
	for i, c := range []struct {
		do   func()
		want uint64
	}{
		{func() { r.Write(ramp(1, 0, 3)) }, 0},
		{func() { r.Write(ramp(1, 3, 2)) }, 2},
		{func() { r.Mark(Gap{Cause: Overflow, LostFrames: 5}) }, 7},
		{func() { r.Mark(Gap{Cause: Zeros}) }, 7},
		{func() { r.Write(ramp(1, 10, 2)) }, 9},
		{func() { r.Read(make([]float32, 4)) }, 9},
		{func() { r.Write(ramp(1, 12, 1)) }, 0},
		{func() { r.Close() }, 0},
	} {
		if c.do(); r.Trailing() != c.want {
			t.Errorf("step %d: %d, want %d", i, r.Trailing(), c.want)
		}
	}
}

func TestGapsJoin(t *testing.T) {
	for _, c := range []struct{ first, then, want Gap }{
		{Gap{}, Gap{Cause: Stall}, Gap{Cause: Stall}},
		{Gap{Changed: true}, Gap{Cause: Zeros}, Gap{Cause: Zeros, Changed: true}},
		{Gap{Changed: true}, Gap{Cause: Overflow, LostFrames: 3}, Gap{Overflow, 3, true}},
		{Gap{Cause: Full, LostFrames: 2}, Gap{Changed: true}, Gap{Full, 2, true}},
		{Gap{Cause: Full, LostFrames: 2}, Gap{Cause: Overflow, LostFrames: 3}, Gap{Cause: Full, LostFrames: 5}},
	} {
		if got := c.first.join(c.then); got != c.want {
			t.Errorf("%+v, then %+v: %+v, want %+v", c.first, c.then, got, c.want)
		}
	}
}

func TestRingWithTooManyMarksDropsInsteadOfForgetting(t *testing.T) {
	r := NewRing(1, 1024)
	for i := range marks {
		r.Mark(Gap{Cause: Seam})
		if !r.Write([]float32{float32(i)}) {
			t.Fatalf("mark %d does not fit", i)
		}
	}
	r.Mark(Gap{Cause: Seam})
	if r.Write([]float32{0}) || r.Dropped() != 1 {
		t.Fatal("a block went in without its mark")
	}
	buf := make([]float32, 1024)
	for range marks {
		if n, _, gap := r.Read(buf); n != 1 || gap.Cause != Seam {
			t.Fatalf("%d frames after %v", n, gap)
		}
	}
	r.Write([]float32{0})
	if _, at, gap := r.Read(buf); at != marks+1 || gap != (Gap{Cause: Full, LostFrames: 1}) {
		t.Fatalf("at %d after %v", at, gap)
	}
}

func TestRingWaitEndsWithDataCloseOrContext(t *testing.T) {
	r := NewRing(1, 8)
	ctx, cancel := context.WithCancel(t.Context())
	got := make(chan error)
	go func() { got <- r.Wait(ctx) }()
	r.Write([]float32{1})
	if err := <-got; err != nil {
		t.Fatalf("with data: %v", err)
	}
	r.Close()
	if err := r.Wait(ctx); err != nil {
		t.Fatalf("closed with data: %v", err)
	}
	r.Read(make([]float32, 8))
	if err := r.Wait(ctx); !errors.Is(err, io.EOF) {
		t.Fatalf("closed and empty: %v", err)
	}
	r = NewRing(1, 8)
	go func() { got <- r.Wait(ctx) }()
	cancel()
	if err := <-got; !errors.Is(err, context.Canceled) {
		t.Fatalf("cancelled: %v", err)
	}
	go func() { got <- r.Wait(t.Context()) }()
	r.Close()
	if err := <-got; !errors.Is(err, io.EOF) {
		t.Fatalf("closed while waiting: %v", err)
	}
}

func TestRingOfferWaitsForRoomAndContext(t *testing.T) {
	r := NewRing(2, 16)
	done := make(chan error)
	go func() { done <- r.Offer(t.Context(), ramp(2, 0, 1000)); r.Close() }()
	buf := make([]float32, 14)
	next := 0
	for r.Wait(t.Context()) == nil {
		n, at, _ := r.Read(buf)
		if int(at) != next {
			t.Fatalf("frame %d after %d", at, next)
		}
		for i, v := range buf[:2*n] {
			if v != float32(2*next+i) {
				t.Fatalf("sample %v at %d", v, 2*next+i)
			}
		}
		next += n
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
		default:
		}
	}
	if next != 1000 || r.Dropped() != 0 {
		t.Fatalf("%d frames came, %d were dropped", next, r.Dropped())
	}
	ctx, cancel := context.WithCancel(t.Context())
	full := NewRing(1, 1)
	go func() { done <- full.Offer(ctx, []float32{1, 2}) }()
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Fatalf("cancelled while full: %v", err)
	}
}

// Both ends at full speed: under the race detector this shows that what Read
// hands out is not written to any more.
func TestRingCarriesEveryFrameBetweenGoroutines(t *testing.T) {
	const channels, frames = 3, 200_000
	r := NewRing(channels, 256)
	lost := uint64(0)
	go func() {
		rng := rand.New(rand.NewPCG(1, 2))
		for at := 0; at < frames; {
			n := min(1+rng.IntN(100), frames-at)
			if !r.Write(ramp(channels, at, n)) {
				lost += uint64(n)
			} else if rng.IntN(20) == 0 {
				r.Mark(Gap{Changed: true})
			}
			at += n
		}
		r.Close()
	}()
	buf := make([]float32, 77*channels)
	var next, gone uint64
	for r.Wait(t.Context()) == nil {
		n, at, gap := r.Read(buf)
		gone += gap.LostFrames
		if next += gap.LostFrames; at != next {
			t.Fatalf("frame %d where %d is due", at, next)
		}
		for i, v := range buf[:n*channels] {
			if want := float32(int(at)*channels + i); v != want {
				t.Fatalf("sample %v where %v is due", v, want)
			}
		}
		next += uint64(n)
	}
	if r.Dropped() != lost || next+lost-gone != frames {
		t.Fatalf("%d frames read or marked, %d dropped, %d marked lost", next, r.Dropped(), gone)
	}
}

func TestRingDoesNotAllocate(t *testing.T) {
	r := NewRing(2, 1024)
	block, buf := make([]float32, 1024), make([]float32, 1024)
	if n := testing.AllocsPerRun(1000, func() {
		r.Mark(Gap{Changed: true})
		r.Write(block)
		r.Read(buf)
	}); n != 0 {
		t.Errorf("%v allocations for a block", n)
	}
}

// FuzzRing plays random commands against a plain slice.
func FuzzRing(f *testing.F) {
	f.Add([]byte{0x15, 0x8f, 0x03, 0x44, 0x91, 0xff, 0x02})
	f.Fuzz(func(t *testing.T, commands []byte) {
		const channels, room = 2, 16
		type stored struct {
			at  uint64
			gap Gap
		}
		r := NewRing(channels, room)
		var (
			model   []stored // frames not yet read
			pending Gap
			clock   uint64
			dropped uint64
		)
		buf := make([]float32, channels*room)
		for _, c := range commands {
			n := int(c & 31)
			switch c >> 5 {
			case 0, 1, 2, 3: // write
				unread := 0
				for _, m := range model {
					if m.gap != (Gap{}) {
						unread++
					}
				}
				fits := n == 0 || len(model)+n <= room && (pending == (Gap{}) || unread < marks)
				block := ramp(channels, int(clock), n)
				if got := r.Write(block); got != fits {
					t.Fatalf("write of %d with %d stored: %v", n, len(model), got)
				}
				if !fits {
					dropped += uint64(n)
					pending = pending.join(Gap{Cause: Full, LostFrames: uint64(n)})
				} else {
					for i := range n {
						model = append(model, stored{clock + uint64(i), pending})
						pending = Gap{}
					}
				}
				clock += uint64(n)
			case 4: // lose
				g := Gap{GapCause(n % 7), uint64(n / 2), n%3 == 0}
				r.Mark(g)
				pending = pending.join(g)
				clock += g.LostFrames
			default: // read
				want := min(n, room)
				got, at, gap := r.Read(buf[:channels*want])
				expect := 0
				for expect < min(want, len(model)) && (expect == 0 || model[expect].gap == (Gap{})) {
					expect++
				}
				if got != expect {
					t.Fatalf("read %d frames, want %d", got, expect)
				}
				if got == 0 {
					continue
				}
				if at != model[0].at || gap != model[0].gap {
					t.Fatalf("at %d after %v, want %v", at, gap, model[0])
				}
				for i, v := range buf[:got*channels] {
					if v != float32(int(at)*channels+i) {
						t.Fatalf("sample %d is %v", i, v)
					}
				}
				model = model[got:]
			}
			if r.Len() != len(model) || r.Dropped() != dropped {
				t.Fatalf("stored %d, dropped %d; want %d and %d", r.Len(), r.Dropped(), len(model), dropped)
			}
		}
	})
}

func BenchmarkRing(b *testing.B) {
	r := NewRing(2, 4096)
	block, buf := make([]float32, 1024), make([]float32, 1024)
	for b.Loop() {
		r.Write(block)
		r.Read(buf)
	}
}

// Of two gaps at one place the one that lost samples is told, else the first.
func TestGapsOfOnePlaceAreOne(t *testing.T) {
	for _, c := range []struct{ first, second, want Gap }{
		{Gap{Cause: Stall}, Gap{Cause: Seam}, Gap{Cause: Stall}},
		{Gap{Cause: Stall}, Gap{Cause: Seam, LostFrames: 3}, Gap{Cause: Seam, LostFrames: 3}},
		{Gap{Cause: Stall, LostFrames: 2}, Gap{Cause: Seam, LostFrames: 3, Changed: true}, Gap{Cause: Stall, LostFrames: 5, Changed: true}},
		{Gap{Changed: true}, Gap{Cause: Seam}, Gap{Cause: Seam, Changed: true}},
	} {
		if got := c.first.join(c.second); got != c.want {
			t.Errorf("%+v, then %+v: %+v, want %+v", c.first, c.second, got, c.want)
		}
	}
}
