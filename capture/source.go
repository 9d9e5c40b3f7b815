// Package capture is where sound comes in: the Source that delivers blocks of
// interleaved samples, and the lock-free Ring between the goroutine that owns
// a source and the one that analyses.
//
// The packages below it are the sources: device (PortAudio), wavfile (replay
// and recording) and rig (the virtual rig); signal makes test signals.
//
// Units: samples are float32, full scale ±1. A moment in the audio is a sample
// index: frames since the source started, counting those that were lost, so
// that it never runs behind the clock of the converter.
package capture

import (
	"context"
	"errors"
)

// Errors a caller decides on.
var (
	// ErrNoDevice: no device of that name is there now.
	ErrNoDevice = errors.New("no such device")
	// ErrDeviceLost: the device was there and has gone.
	ErrDeviceLost = errors.New("device lost")
	// ErrUnavailable: this build cannot do that (for example without PortAudio).
	ErrUnavailable = errors.New("not available in this build")
)

// State is what a source is doing.
type State int

// The closed set of states a source is in.
const (
	Starting State = iota // opened, no sample yet
	Running               // samples arrive
	Stalled               // open, but nothing arrives
	Lost                  // the device has gone and is being looked for
	Ended                 // no more samples will come, and all were heard
	Failed                // no more samples will come: it could not go on
)

// String names the state as the wire and the page do.
func (s State) String() string {
	switch s {
	case Starting:
		return "starting"
	case Running:
		return "running"
	case Stalled:
		return "stalled"
	case Lost:
		return "lost"
	case Ended:
		return "ended"
	case Failed:
		return "failed"
	}
	return "unknown"
}

// Status is a State with its reason, for people.
type Status struct {
	State State
	Text  string // one sentence; empty while all is well
}

// Counters are the troubles of a source since it started.
type Counters struct {
	Overflows   uint64 // times the host said that samples were lost before a block
	Stalls      uint64 // times nothing arrived for longer than the stall limit
	ZeroRuns    uint64 // runs of exact zeros on every channel amid sound, longer than the limit
	LostFrames  uint64 // frames lost, as far as it is known
	DroppedRing uint64 // frames that did not fit the ring
}

// Info describes a source. It does not change while the source lives.
type Info struct {
	Kind         string   // "device", "file" or "rig"
	Name         string   // for people
	SampleRateHz int      // 44100…192000
	Channels     []string // one name a channel, in the order of the interleaving
	// Identity is what a device is known by, whatever socket it is in; empty: its Name.
	Identity string
}

// Key is what belongs to the source is kept under.
func (i Info) Key() string {
	if i.Identity != "" {
		return i.Kind + " " + i.Identity
	}
	return i.Kind + " " + i.Name
}

// Source delivers interleaved blocks into a ring.
//
// Run blocks until ctx is done or the source has no more samples: nil in both
// cases, an error if it could not go on. When it returns it has ended everything
// it started and has closed out. A Source runs once. The other methods may be
// called from any goroutine while Run runs.
type Source interface {
	Info() Info
	Status() Status
	Counters() Counters
	Run(ctx context.Context, out *Ring) error
}
