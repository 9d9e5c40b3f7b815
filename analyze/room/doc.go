// Package room says what a room does with sound, from an impulse response.
//
//	h ─► onset ─► band filter ─► h² ─► noise, truncation ─► E(t) = ∫ₜ^∞ h² ─┬─► EDT, T20, T30, curvature
//	       │                                                               ├─► C50, C80, D50, Ts
//	       │                                                               └─► m(F) ─► STI
//	       └─► early reflections
//
// Decay times, clarity, definition and centre time are those of ISO 3382-1:2009, the
// speech transmission index that of IEC 60268-16:2020. Times are in seconds from the
// direct sound unless a name says ms. What could not be determined is NaN, and a
// reason stands beside it. Pure functions, safe from any goroutine.
package room
