package stream

import (
	"slices"
	"sync"
	"sync/atomic"

	"plumbline/analyze"
	"plumbline/stream/wire"
)

// packet is one frame, shared by the clients that have yet to send it, and its
// encodings: one for each selection of microphones that somebody wants, made when
// the first of them sends it. Only who holds it may look at it.
type packet struct {
	refs        atomic.Int32
	hello       *helloDoc // describes it: the board may have moved on
	frame       wire.Frame
	microphones []int // channels of the frame, in its order

	mu    sync.Mutex
	coded []coded // of this frame; behind its length is memory of frames before
}

// coded is a frame for those microphones that have a bit set, by their place in
// the frame: at most setting.MaxMicrophones, which is fewer than there are bits.
type coded struct {
	selection uint64
	data      []byte
}

// set has the packet, which nobody else holds, take over a frame.
func (k *packet) set(f *analyze.Frame, unixMs float64) {
	k.frame.Set(f, unixMs)
	k.microphones = k.frame.Microphones(k.microphones[:0])
	k.coded = k.coded[:0]
}

// encoded is the binary frame of these microphones, by channel; none is all. It is
// valid while the packet is held. fresh: it had to be made.
func (k *packet) encoded(microphones []int) (data []byte, fresh bool) {
	all := uint64(1)<<len(k.microphones) - 1
	selection := uint64(0)
	for i, c := range k.microphones {
		if slices.Contains(microphones, c) {
			selection |= 1 << i
		}
	}
	if len(microphones) == 0 || selection == all {
		selection, microphones = all, nil
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for i := range k.coded {
		if e := &k.coded[i]; e.selection == selection {
			return e.data, false
		}
	}
	n := len(k.coded)
	if n < cap(k.coded) {
		k.coded = k.coded[:n+1]
	} else {
		k.coded = append(k.coded, coded{})
	}
	e := &k.coded[n]
	e.selection = selection
	e.data = k.frame.Append(e.data[:0], microphones)
	return e.data, true
}

// pool hands out packets nobody holds any more. A channel, because the one who
// publishes must not wait and the ones who release must not either.
type pool chan *packet

// get returns a packet held once.
func (p pool) get() *packet {
	var k *packet
	select {
	case k = <-p:
	default:
		k = new(packet)
	}
	k.refs.Store(1)
	return k
}

// release gives up one hold.
func (p pool) release(k *packet) {
	if k == nil || k.refs.Add(-1) > 0 {
		return
	}
	select {
	case p <- k:
	default: // more than the pool keeps: the collector takes it
	}
}
