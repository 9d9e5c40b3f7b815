// Package stationarity says whether the path from a loudspeaker to a microphone
// stood still during a take, and if not, what it did and how to follow it.
//
//	stretches of 0.7 s ─► spectra ─► each against all others ─► track ─► verdict
//
// A stretch s has at each bin the response H_s = Y/X, the others together have
// H_r = ΣX*Y/Σ|X|². When the path of the stretch is later by τ, the phase of H_r*·H_s
// is −ωτ, off by noise of mean square (N/2|H|²)(1/P_s + 1/P_r): N is what H does not
// explain of the microphone, P are powers of the reference. With weights that are
// the inverse of that, the generalised cross-correlation
//
//	C(τ) = Σ w H_r*·H_s e^{jωτ},  1/w = N (1/P_s + 1/P_r) + ε|H_r|²
//
// has its peak at the maximum-likelihood offset (Knapp and Carter, IEEE Trans. ASSP
// 24, 1976; Bendat and Piersol, Random Data, 4th ed., ch. 9, for the error of H). A
// search over ±35 ms tells the cycle, Newton's rule the rest. H_r has the room's
// reverberation in it, so that late sound is no error but for what a window cuts off;
// ε stands for that. Standard deviations are those of the scores of blocks of bins
// (White, Econometrica 48, 1980), whatever made them scatter.
//
// Gains are compared in what comes first, within some ms of the strongest arrival:
// of what comes later a stretch has as much more as its sound began early in it.
//
// Errors of offsets are some tenths of a microsecond for music in a room. A path is
// said to move when a point, and not a single one, is off by seven standard
// deviations and by more than does harm.
package stationarity
