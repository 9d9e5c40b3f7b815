package wire_test

import (
	"fmt"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

// A frame is encoded once and read by id and channel.
func ExampleFrame() {
	b := new(wire.Frame).Set(frametest.New(1), 0).Append(nil, nil)
	var f wire.Frame
	if err := f.Decode(b); err != nil {
		panic(err)
	}
	fmt.Println(f.Seq, f.Microphones(nil), f.Curve(wire.DelayMs, 2))
	// Output: 7 [2] [23.42 0.002 0]
}
