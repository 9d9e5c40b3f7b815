package signal_test

import (
	"fmt"

	"plumbline/capture/signal"
)

func Example() {
	g, err := signal.New(signal.Config{Kind: signal.Sine, FrequencyHz: 12000, LevelDBFS: -6.0206, RampS: 1e-9})
	if err != nil {
		fmt.Println(err)
		return
	}
	x := make([]float64, 8)
	g.Fill(x)
	fmt.Printf("peaks %.2f and %.2f\n", x[1], x[3])
	// Output: peaks 0.50 and -0.50
}
