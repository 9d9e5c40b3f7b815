package caution_test

import (
	"fmt"

	"plumbline/analyze/caution"
)

// A microphone that is unplugged after a second and a half.
func Example() {
	const rate = 48000
	ref, mic := make([]float64, 4*rate), make([]float64, 4*rate)
	for i := range ref {
		ref[i] = 0.1 * float64(i%7-3)
		if i < 3*rate/2 {
			mic[i] = ref[i] / 2
		}
	}
	take := caution.NewTake(rate, 1)
	take.Feed(ref, [][]float64{mic})
	for _, c := range take.Facts(0).Cautions(caution.At(1), caution.At(2), 0) {
		fmt.Println(c.Code+":", c.Text())
	}
	// Output: silent_microphone: Nothing from the microphone on channel 2 from 1.5 s on, while the reference plays. Is its cable loose, or was it muted?
}
