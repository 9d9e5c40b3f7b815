package device_test

import (
	"context"
	"fmt"
	"time"

	"plumbline/capture"
	"plumbline/capture/device"
)

// Ten seconds of the programme in channel 1 and two microphones in 3 and 4.
func Example() {
	source, err := device.Open(device.Config{ID: "alsa/interface", Reference: 1, Microphones: []int{3, 4}})
	if err != nil {
		fmt.Println(err) // says which devices, channels or rates there are
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	ring := capture.NewRing(len(source.Info().Channels), 1<<17)
	ended := make(chan error, 1)
	go func() { ended <- source.Run(ctx, ring) }()

	block := make([]float32, 3*4800)
	for ring.Wait(context.Background()) == nil {
		frames, sample, gap := ring.Read(block)
		if gap.Cause != capture.NoGap {
			fmt.Println("in front of sample", sample, ":", gap.Cause)
		}
		_ = block[:frames*3] // reference, microphone, microphone, reference, …
	}
	fmt.Println(<-ended, source.Counters())
}

// Half a second of silence; a test signal starts so, and ramps up.
func ExampleOutput_Play() {
	output, err := device.OpenOutput(device.OutputConfig{ID: "alsa/interface", Channels: 2})
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 500*time.Millisecond)
	defer cancel()
	if err := output.Play(ctx, func(block []float32) {}); err != nil {
		fmt.Println(err)
	}
}
