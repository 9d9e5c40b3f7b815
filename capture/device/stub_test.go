//go:build !cgo || nodevices

package device

import (
	"errors"
	"strings"
	"testing"

	"plumbline/capture"
)

func TestWithoutPortAudioEveryCallSaysSo(t *testing.T) {
	_, list := List()
	_, open := Open(Config{})
	_, play := OpenOutput(OutputConfig{})
	for _, err := range []error{list, open, play} {
		if !errors.Is(err, capture.ErrUnavailable) || !strings.Contains(err.Error(), "install PortAudio") {
			t.Errorf("the error is %v", err)
		}
	}
}
