//go:build cgo && !nodevices

package device

import (
	"testing"
	"time"

	"plumbline/capture/device/pulsetest"
)

func TestScratch(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{})
	t0 := time.Now()
	l, err := List()
	t.Log(time.Since(t0), err)
	for _, d := range l {
		t.Logf("%+v", d)
	}
	t0 = time.Now()
	r, err := Rates("alsa/pulse")
	t.Log(time.Since(t0), r, err)
	t0 = time.Now()
	s, err := Open(Config{})
	t.Log(time.Since(t0), err)
	t.Logf("%+v %v", s.Info(), s.params.device.ID)
}
