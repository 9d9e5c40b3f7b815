package device

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// host is what this package needs of PortAudio; tests have one without hardware.
// Its methods may be called from any goroutine.
type host interface {
	// acquire makes the host ready, and looks for devices anew if nobody else
	// has it acquired; each acquire needs one release.
	acquire() error
	release()
	devices() ([]Device, error)
	supports(p streamParams) error
	// open prepares a stream that transfers buf, whole frames interleaved.
	open(p streamParams, buf []float32) (stream, error)
}

// streamParams is what a stream is opened with.
type streamParams struct {
	device   Device // of the current list
	dir      direction
	channels int
	rateHz   int
	frames   int // a buffer
	latency  time.Duration
}

// stream is an open stream. Only the goroutine that opened it uses it.
type stream interface {
	start() error
	// transfer fills the buffer from an input, or plays it, blocking.
	// errXrun: done, but samples in front of this buffer were lost.
	transfer() error
	rateHz() float64 // that it really runs at
	ready() int      // frames that can be transferred without waiting
	abort() error    // drops what is buffered
	close() error
}

// errXrun: an input overflowed or an output ran dry. The stream goes on.
var errXrun = errors.New("samples were lost")

// What a host may say when it refuses to open a stream, as far as it helps.
var (
	errRate     = errors.New("sample rate not supported")
	errChannels = errors.New("number of channels not supported")
)

// openStream opens and checks what was opened; errors say what to do.
func openStream(h host, p streamParams, buf []float32) (stream, error) {
	st, err := h.open(p, buf)
	switch {
	case errors.Is(err, errRate):
		return nil, fmt.Errorf("%s %q does not run at %d Hz: %s", p.dir, p.device.ID, p.rateHz, hint(h, p))
	case errors.Is(err, errChannels):
		return nil, fmt.Errorf("%s %q does not open with %d channels: it says it has %d", p.dir, p.device.ID, p.channels, p.dir.channels(p.device))
	case err != nil:
		return nil, fmt.Errorf("open %s %q at %d Hz: %w", p.dir, p.device.ID, p.rateHz, err)
	}
	if got := st.rateHz(); got < float64(p.rateHz)*0.999 || got > float64(p.rateHz)*1.001 {
		_ = st.close() // the mismatch is what matters
		return nil, fmt.Errorf("%s %q runs at %.0f Hz and not at %d Hz: ask for that rate, or set the device to yours", p.dir, p.device.ID, got, p.rateHz)
	}
	return st, nil
}

// hint names the rates that would do.
func hint(h host, p streamParams) string {
	ok := rates(h, p.device, p.dir, p.channels)
	if len(ok) == 0 {
		return "it takes none of the common rates now; see the settings of the system's sound"
	}
	words := make([]string, len(ok))
	for i, hz := range ok {
		words[i] = fmt.Sprint(hz)
	}
	return "it takes " + strings.Join(words, ", ")
}
