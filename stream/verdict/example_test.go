package verdict_test

import (
	"fmt"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/verdict"
)

// A keeper takes every frame; its sentence changes only with the meaning.
func ExampleKeeper() {
	var k verdict.Keeper
	f := frametest.New(1)
	for range 3 {
		f.Sample += 2400
		if k.Update(f, 0, verdict.Options{TemperatureC: 20}) {
			fmt.Println(k.Sentence().Text())
		}
	}
	// Output: The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.
}
