// Package linearity tells whether the gain of a path goes with the level of what
// is played: a limiter, a compressor or an amplifier that clips, in front of the
// loudspeaker. No linear path does that, however long it rings.
//
//	reference ─► what each kind of gain takes away ─┐
//	windows ───► spectra ──────────────────────────┴► partial coherence ─► Result
//
// The reference makes further inputs, each what one kind of gain that goes with the
// level would take away from it. Of each only what the reference itself does not
// explain, bin by bin, is left, and the microphone is asked whether it lacks that,
// filtered as the reference is (conditioned spectra of several inputs: Bendat and
// Piersol, Random Data, 4th ed., ch. 7; of nonlinear systems: Bendat, Nonlinear
// System Techniques and Applications, 1998, ch. 4). One number answers for all
// frequencies, so that little of it is found, and noise, reverberation and other
// sound do not make it.
//
// Amplitudes are linear, full scale is 1. Nothing allocates once a Test is made.
// Not for two goroutines.
package linearity
