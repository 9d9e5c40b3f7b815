package device

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
)

func TestPlayEndsSoftlyAndSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		o, err := openOutput(h, OutputConfig{})
		if err != nil {
			t.Fatal(err)
		}
		var played [][]float32
		h.event = func(s *fakeStream) { played = s.finished }
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := o.Play(ctx, func(block []float32) {
			for i := range block {
				block[i] = 0.5
			}
		}); err != nil {
			t.Fatal(err)
		}
		var cancelled time.Time
		if dl, ok := ctx.Deadline(); ok {
			cancelled = dl
		}
		if took := time.Since(cancelled); took > 100*time.Millisecond {
			t.Errorf("it took %v to end", took)
		}
		// No step larger than the fade's over one block.
		last := float32(0.5)
		for _, b := range played {
			for _, v := range b[:len(b)-1] {
				if last-v > 0.5/480*1.01 {
					t.Fatalf("a step from %g to %g is a click", last, v)
				}
				last = v
			}
		}
		if last != 0 {
			t.Errorf("it ended at %g", last)
		}
		if acquired, streams := h.left(); acquired != 0 || streams != 0 {
			t.Errorf("left behind: %d acquired, %d streams", acquired, streams)
		}
	})
}

func TestPlayCountsUnderrunsAndReportsLoss(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newFake(t, interfaceOf8)
		o, err := openOutput(h, OutputConfig{Channels: 1})
		if err != nil {
			t.Fatal(err)
		}
		h.event = func(s *fakeStream) {
			switch s.buffers {
			case 5, 9:
				s.err = errXrun
			case 20:
				s.err = errors.New("pulled")
			}
		}
		err = o.Play(t.Context(), func([]float32) {})
		if !errors.Is(err, capture.ErrDeviceLost) || !strings.Contains(err.Error(), "alsa/interface") {
			t.Errorf("Play: %v", err)
		}
		if o.Underruns() != 2 {
			t.Errorf("%d underruns", o.Underruns())
		}
	})
}

func TestOutputSaysWhatIsWrong(t *testing.T) {
	h := newFake(t, interfaceOf8)
	for want, cfg := range map[string]OutputConfig{
		"has no channel 3: it has 1 to 2": {Channels: 3},
		"there are alsa/interface":        {ID: "alsa/nothing"},
		"choose one from 44100":           {SampleRateHz: 1},
	} {
		if _, err := openOutput(h, cfg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want ...%s...", cfg, err, want)
		}
	}
}
