// Package alignment chooses delay, polarity and gain so that two loudspeakers
// add up where both are heard, at all seats and not only at one.
//
//	seat 1: A, B alone ─┐
//	seat 2: A, B alone ─┼─► cells of equal log frequency ─► every delay, both polarities ─► plan
//	…                  ─┘
//
// The summation efficiency of a seat is the mean over log frequency of
//
//	10 lg( |A + g·p·B·e^{−jωτ}|² / (|A| + |g·B|)² ) dB
//
// with τ the delay given to B (negative: given to A), p = ±1 and g the gain of
// B: 0 dB where nothing is lost, less everywhere else. Where a seat stands for
// places spread about the microphone it is their average, as spread.go has it.
//
// In a narrow overlap a cycle more, or half of one with the other polarity, gives
// nearly the same: Cycles says which are alike, and what the phase slopes say.
package alignment
