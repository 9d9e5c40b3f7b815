package stream

import (
	"plumbline/analyze"
	"plumbline/stream/wire"
)

// board holds the newest document of each kind. It never changes: a new one
// replaces it. Writers compare its pointers with what they sent last.
type board struct {
	hello    *helloDoc
	state    *stateDoc
	rig      *rigDoc
	survey   *surveyDoc
	show     *showDoc
	levels   *levelsDoc
	watches  *watchesDoc
	verdicts []*verdictDoc // by microphone, in the frame's order
}

type helloDoc struct{ hello wire.Hello } // encoded for each client: its name is in it

type stateDoc struct {
	state State
	data  []byte // the encoded message
}

type rigDoc struct {
	rig  RigScene
	data []byte
}

type showDoc struct {
	file     string
	revision int64
	data     []byte
}

type verdictDoc struct {
	verdict wire.Verdict
	data    []byte
}

// Publish hands a frame to all clients. It never waits for one and allocates
// nothing while the verdict's meaning stays; f is not kept. Call it from one
// goroutine at a time.
func (s *Server) Publish(f *analyze.Frame) {
	now := s.now()
	s.lastFrame.Store(int64(s.elapsed()) + 1)
	if h := s.board.Load().hello; !describes(h.hello, f) {
		s.setHello(f)
	}
	s.judge(f)

	k := s.pool.get()
	k.hello = s.board.Load().hello
	k.set(f, float64(now.UnixNano())/1e6)
	for _, c := range *s.clients.Load() {
		if c.wantsNothing() {
			continue
		}
		k.refs.Add(1)
		if late := c.slot.Swap(k); late != nil {
			s.skipped.Add(1)
			s.pool.release(late)
		}
		c.wake()
	}
	// The hold that get gave passes to newest, for GET /api/v1/frame.
	s.newestMu.Lock()
	k, s.newest = s.newest, k
	s.newestMu.Unlock()
	s.pool.release(k)
	s.published.Add(1) // only now can it be asked for
}

// takeNewest returns the newest packet, held once more, or nil.
func (s *Server) takeNewest() *packet {
	s.newestMu.Lock()
	defer s.newestMu.Unlock()
	if s.newest != nil {
		s.newest.refs.Add(1)
	}
	return s.newest
}

// describes: does the hello name this frame's epoch and grid?
func describes(h wire.Hello, f *analyze.Frame) bool {
	if h.Epoch != f.Epoch || h.RateHz != f.SampleRateHz {
		return false
	}
	if len(f.Microphones) == 0 {
		return true
	}
	grid := f.Microphones[0].Curve.FrequencyHz
	if len(grid) != len(h.Grid) {
		return false
	}
	for i, x := range grid {
		if h.Grid[i] != x {
			return false
		}
	}
	return true
}

func (s *Server) setHello(f *analyze.Frame) {
	h := &helloDoc{wire.Hello{Type: wire.TypeHello, Version: wire.Version, Epoch: f.Epoch, RateHz: f.SampleRateHz, Grid: []float64{}}}
	if len(f.Microphones) > 0 {
		h.hello.Grid = append(h.hello.Grid, f.Microphones[0].Curve.FrequencyHz...)
	}
	s.pin(func(b *board) { b.hello = h })
}

// pin changes the board and tells every writer to look at it.
func (s *Server) pin(change func(*board)) {
	s.boardMu.Lock()
	b := *s.board.Load()
	change(&b)
	s.board.Store(&b)
	s.boardMu.Unlock()
	for _, c := range *s.clients.Load() {
		c.wake()
	}
}
