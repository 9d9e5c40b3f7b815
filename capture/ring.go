package capture

import (
	"context"
	"io"
	"math/bits"
	"sync/atomic"
)

// marks is how many gaps may lie unread in a ring. A block in front of which
// one more would be needed is dropped like one that does not fit.
const marks = 64

// Ring carries interleaved frames from one producer to one consumer without a
// lock: both ends may run at the same time, each in one goroutine only.
// A block that does not fit is dropped whole, counted, and marked as a Gap in
// front of the next frame that fits.
//
// Producer: Write, Offer, Mark, Close. Consumer: Read, Wait. Anyone: Channels,
// Cap, Len, Dropped, Trailing.
//
// Positions only grow, and Go's atomics are sequentially consistent: who sees
// head has passed a frame sees the frame, and the mark in front of it.
type Ring struct {
	buf      []float32
	channels int
	mask     uint64 // frames − 1

	// One cache line for each side: what one writes, the other only loads.
	_       [64]byte
	head    atomic.Uint64 // frames stored so far; the producer's
	markIn  atomic.Uint64 // marks stored so far; the producer's
	dropped atomic.Uint64
	trail   atomic.Uint64 // pending.LostFrames, for the consumer
	closed  atomic.Bool
	pending Gap // in front of the next frame; the producer's alone
	_       [64]byte
	tail    atomic.Uint64 // frames taken so far; the consumer's
	markOut atomic.Uint64 // marks taken so far; the consumer's
	lost    uint64        // frames lost before tail; the consumer's alone
	_       [64]byte

	marks [marks]mark

	data, room           chan struct{} // a wake-up each, never waited for by the one who sends
	wantsData, wantsRoom atomic.Bool
}

// mark is a Gap and the frame it lies in front of, counted in frames stored.
type mark struct {
	at  uint64
	gap Gap
}

// NewRing makes a ring for at least the given number of frames, rounded up to a
// power of two. It panics if channels or frames is not positive.
func NewRing(channels, frames int) *Ring {
	if channels < 1 || frames < 1 {
		panic("capture: a ring needs at least one channel and one frame")
	}
	n := 1 << bits.Len(uint(frames-1))
	return &Ring{
		buf:      make([]float32, n*channels),
		channels: channels,
		mask:     uint64(n - 1),
		data:     make(chan struct{}, 1),
		room:     make(chan struct{}, 1),
	}
}

// Channels is the number of samples in a frame.
func (r *Ring) Channels() int { return r.channels }

// Cap is the number of frames the ring holds.
func (r *Ring) Cap() int { return len(r.buf) / r.channels }

// Len is the number of frames stored and not yet read.
func (r *Ring) Len() int {
	tail := r.tail.Load() // first: head is never behind it
	return int(r.head.Load() - tail)
}

// Dropped is the number of frames that did not fit, since the start.
func (r *Ring) Dropped() uint64 { return r.dropped.Load() }

// Trailing is the number of frames that are missing behind the newest that was
// stored, as far as it is known: a Gap that no frame has come after yet.
func (r *Ring) Trailing() uint64 { return r.trail.Load() }

// Write stores a block of whole frames, or nothing: it reports false when the
// block does not fit, and then the frames are counted and marked as lost. It
// does not wait, lock or allocate, and panics on a part of a frame.
func (r *Ring) Write(samples []float32) bool {
	n := uint64(r.frames(samples))
	if n == 0 {
		return true
	}
	if r.free() < n {
		r.dropped.Add(n)
		r.Mark(Gap{Cause: Full, LostFrames: n})
		return false
	}
	r.store(samples)
	return true
}

// Offer stores a block, waiting for room. It is for a source without a clock
// of its own, such as a file read as fast as it goes. The error is that of ctx.
func (r *Ring) Offer(ctx context.Context, samples []float32) error {
	for left := r.frames(samples); left > 0; {
		n := min(left, int(r.free()))
		if n == 0 {
			if err := wait(ctx, &r.wantsRoom, r.room, func() bool { return r.free() > 0 }); err != nil {
				return err
			}
			continue
		}
		r.store(samples[:n*r.channels])
		samples = samples[n*r.channels:]
		left -= n
	}
	return ctx.Err()
}

// Mark puts a discontinuity in front of the next frame written. Several before
// the same frame become one, with the sum of the frames lost.
func (r *Ring) Mark(g Gap) {
	r.pending = r.pending.join(g)
	r.trail.Store(r.pending.LostFrames)
}

// Close says that nothing more will come.
func (r *Ring) Close() {
	r.closed.Store(true)
	wake(&r.wantsData, r.data)
}

// Read copies as many whole frames as there are and as fit into dst, but never
// across a gap. gap lies in front of the first of them, sample is its index in
// the sample clock, where lost frames count. 0 frames: nothing there now, or
// dst is shorter than a frame.
func (r *Ring) Read(dst []float32) (frames int, sample uint64, gap Gap) {
	tail := r.tail.Load()
	n := min(r.head.Load()-tail, uint64(len(dst)/r.channels))
	if n == 0 {
		return 0, tail + r.lost, Gap{}
	}
	out, in := r.markOut.Load(), r.markIn.Load()
	if out < in && r.marks[out%marks].at == tail {
		gap = r.marks[out%marks].gap
		r.lost += gap.LostFrames
		out++
	}
	if out < in {
		n = min(n, r.marks[out%marks].at-tail)
	}
	from := int(tail&r.mask) * r.channels
	want := dst[:int(n)*r.channels]
	copy(want[copy(want, r.buf[from:]):], r.buf)
	r.markOut.Store(out)
	r.tail.Store(tail + n)
	wake(&r.wantsRoom, r.room)
	return int(n), tail + r.lost, gap
}

// Wait returns when something is readable: nil; when the ring is closed and
// empty: io.EOF; when ctx is done: its error.
func (r *Ring) Wait(ctx context.Context) error {
	if err := wait(ctx, &r.wantsData, r.data, func() bool { return r.Len() > 0 || r.closed.Load() }); err != nil {
		return err
	}
	// Closed, or something is there. Len is asked again, and last: nothing is
	// written after Close, so that an empty ring stays empty now.
	if r.Len() == 0 {
		return io.EOF
	}
	return nil
}

func (r *Ring) frames(samples []float32) int {
	if len(samples)%r.channels != 0 {
		panic("capture: a block must hold whole frames")
	}
	return len(samples) / r.channels
}

// free is the number of frames that may be stored now.
func (r *Ring) free() uint64 {
	if r.pending != (Gap{}) && r.markIn.Load()-r.markOut.Load() == marks {
		return 0
	}
	return uint64(r.Cap()) - (r.head.Load() - r.tail.Load())
}

func (r *Ring) store(samples []float32) {
	head := r.head.Load()
	if r.pending != (Gap{}) {
		in := r.markIn.Load()
		r.marks[in%marks] = mark{head, r.pending}
		r.markIn.Store(in + 1)
		r.pending = Gap{}
		r.trail.Store(0)
	}
	copy(r.buf, samples[copy(r.buf[int(head&r.mask)*r.channels:], samples):])
	r.head.Store(head + uint64(len(samples)/r.channels))
	wake(&r.wantsData, r.data)
}

// wait blocks until ready. Who waits says so first and looks again after, so
// that a change between the two is not missed.
func wait(ctx context.Context, wants *atomic.Bool, woken <-chan struct{}, ready func() bool) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		wants.Store(true)
		if ready() {
			wants.Store(false)
			return nil
		}
		select {
		case <-woken:
		case <-ctx.Done():
		}
	}
}

// wake costs a load while nobody waits, and never blocks.
func wake(wants *atomic.Bool, woken chan<- struct{}) {
	if wants.Load() && wants.CompareAndSwap(true, false) {
		select {
		case woken <- struct{}{}:
		default:
		}
	}
}
