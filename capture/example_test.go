package capture_test

import (
	"context"
	"fmt"

	"plumbline/capture"
)

func Example() {
	ring := capture.NewRing(2, 1024)
	go func() { // the source
		ring.Write([]float32{0.1, 0.2, 0.3, 0.4})
		ring.Mark(capture.Gap{Cause: capture.Overflow, LostFrames: 100})
		ring.Write([]float32{0.5, 0.6})
		ring.Close()
	}()
	block := make([]float32, 512)
	total := 0
	for ring.Wait(context.Background()) == nil { // the analyser
		n, sample, gap := ring.Read(block)
		total += n
		if gap.Cause != capture.NoGap {
			fmt.Printf("%d frames lost (%s) in front of sample %d\n", gap.LostFrames, gap.Cause, sample)
		}
	}
	fmt.Println(total, "frames")
	// Output:
	// 100 frames lost (overflow) in front of sample 102
	// 3 frames
}
