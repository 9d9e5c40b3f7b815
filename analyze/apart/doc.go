// Package apart tells several references apart that play at once: what each has that the
// others have not, as a signal, and where it has too little.
//
//	x₁, x₂, … ──► what the others predict of x_p ─┬─ x_p less that: its own
//	        y ──► what they predict of y ─────────┴─ y less that: its sound
//
// The two that are left are those of one loudspeaker that plays alone, in noise: whoever
// looks for an arrival looks in them. Partial correlation is the correlation of what
// regression leaves of both (Frisch and Waugh, Econometrica 1, 1933; Bendat and Piersol,
// Random Data, 4th ed., ch. 7, conditioned records).
//
// Samples re full scale, delays in seconds. Nothing here is safe for two goroutines at
// once.
package apart
