package summation_test

import (
	"fmt"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/summation"
)

func ExampleAccount() {
	frequencies := seattest.LogGrid(80, 8000, 48)
	main := seattest.Path{Copies: []seattest.Copy{{DelayMs: 20, Gain: 1}}}
	fill := seattest.Path{Copies: []seattest.Copy{{DelayMs: 20, Gain: -0.5}}} // reversed, 6 dB down
	ledger, err := summation.Account(
		seattest.Exact(frequencies, 30, main.Response),
		seattest.Exact(frequencies, 30, fill.Response),
		nil, summation.Config{A: "main", B: "fill"})
	if err != nil {
		panic(err)
	}
	fmt.Printf("%+.2f ideal\n", ledger.IdealGainDB)
	for _, row := range ledger.Rows {
		if row.Cause == summation.Level || row.Cause == summation.Polarity {
			fmt.Printf("%+.2f %s\n", row.ChangeDB, row.Sentence)
		}
	}
	fmt.Printf("%+.2f over the louder\n", ledger.GainOverLouderDB)
	// Output:
	// +6.02 ideal
	// -2.50 fill is 6.0 dB quieter than main, which costs 2.5 dB.
	// -9.54 fill has the opposite polarity to main, which at today's delay costs 9.5 dB.
	// -6.02 over the louder
}
