package exposure_test

import (
	"fmt"

	"plumbline/analyze/exposure"
)

// Five minutes at 103 dB, with the loudest place 2 dB louder than the microphone.
func ExampleTracker() {
	profile, _ := exposure.Lookup("who")
	tracker, err := exposure.NewTracker(exposure.Config{Profile: profile, CorrectionDB: 2})
	if err != nil {
		panic(err)
	}
	for range 300 {
		tracker.Add(101, 115)
	}
	s := tracker.Status()
	fmt.Printf("%.0f dB, %.0f %% of the budget used, all of it in %.0f s at this pace\n", s.LevelDB, 100*s.Used, s.CrossedInS)
	// Output: 103 dB, 67 % of the budget used, all of it in 152 s at this pace
}
