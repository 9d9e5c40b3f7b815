package setup

import (
	"context"

	"plumbline/capture"
	"plumbline/stream/wire"
)

// none is the source before one is chosen: nothing comes from it.
type none struct{ text string }

func (none) Info() capture.Info {
	return capture.Info{Kind: wire.SourceNone, Name: "no source yet", SampleRateHz: 48000, Channels: []string{"reference", "microphone"}}
}

func (n none) Status() capture.Status {
	return capture.Status{State: capture.Starting, Text: n.text}
}

func (none) Counters() capture.Counters { return capture.Counters{} }

func (none) Run(ctx context.Context, out *capture.Ring) error {
	<-ctx.Done()
	out.Close()
	return nil
}
