package level_test

import (
	"fmt"
	"math"

	"plumbline/analyze/level"
)

// A calibrator's recording sets the scale of a meter.
func ExampleCalibrate() {
	tone := make([]float64, 5*48000)
	for i := range tone {
		tone[i] = 0.1 * math.Sin(2*math.Pi*1000*float64(i)/48000)
	}
	calibration, err := level.Calibrate(tone, 48000, 94)
	if err != nil {
		panic(err)
	}
	meter, err := level.NewMeter(level.Config{SampleRateHz: 48000, OffsetDB: calibration.OffsetDB})
	if err != nil {
		panic(err)
	}
	meter.Feed(tone)
	var reading level.Reading
	meter.Read(&reading)
	fmt.Printf("full scale is %.1f dB, the tone reads LAeq %.1f dB\n", calibration.OffsetDB, reading.LAeqDB)
	// Output: full scale is 114.0 dB, the tone reads LAeq 94.0 dB
}
