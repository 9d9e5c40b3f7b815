//go:build !cgo || nodevices

package device

import (
	"fmt"

	"plumbline/capture"
)

// system stands in for PortAudio in a build without it.
var system host = noHost{}

type noHost struct{}

func (noHost) acquire() error {
	return fmt.Errorf("audio devices are %w: it was built without PortAudio; install PortAudio's headers and a C compiler and build again without the tag nodevices", capture.ErrUnavailable)
}

func (n noHost) release()                                     {}
func (n noHost) devices() ([]Device, error)                   { return nil, n.acquire() }
func (n noHost) supports(streamParams) error                  { return n.acquire() }
func (n noHost) open(streamParams, []float32) (stream, error) { return nil, n.acquire() }
