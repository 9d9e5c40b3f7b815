// Package summation accounts for every decibel between what two loudspeakers
// could give together at a seat and what they do give.
//
//	A alone ─► H_A ─┐
//	B alone ─► H_B ─┼─► trusted points of the overlap band ─► ledger
//	both    ─► H_C ─┘   (or the prediction H_A + H_B)
//
// The ledger runs from the ideal, +6.02 dB over the louder one, to what was
// measured, in six rows that add up exactly. All averages are power means over
// log frequency (weight 1/f) on the points where the measurement is trusted.
// Everything here is computation on response.Spectra; values are not shared, so
// every function may be called from any goroutine as long as nobody writes to
// the spectra meanwhile.
package summation
