package rig_test

import (
	"context"
	"fmt"

	"plumbline/capture/rig"
)

func Example() {
	scene := rig.Demo()
	for i, l := range scene.Loudspeakers {
		fmt.Printf("%s arrives after %.1f ms, polarity %s\n", l.Name, 1000*scene.ArrivalS(i, 0), l.Polarity)
	}
	frames := 0
	err := rig.Render(context.Background(), scene, 48000, func(interleaved []float32) error {
		frames += len(interleaved) / 2 // programme and one microphone
		return nil
	})
	fmt.Println(frames, err)
	// Output:
	// main arrives after 22.4 ms, polarity same
	// fill arrives after 30.0 ms, polarity opposite
	// 48000 <nil>
}
