// Package watch compares what a microphone hears now with a baseline and says
// when, and how, it has changed: a loudspeaker flipped, lost, moved, louder or
// softer, one of its bands gone, the microphone moved, somebody in the way, the
// room's noise risen, the input lost.
//
// The stretch of the signal path:
//
//	x, y ─► segments ─► <X*E>, <X*X> a step ─► log-likelihood ratio of each hypothesis ─► CUSUM ─► judge ─► Event
//	                     E = Y − H₀X             against the one in force                          │
//	                          └──────────────────────── the newest steps ──────────────────────────┘
//
// A hypothesis is a transfer function: the baseline with one component (a
// loudspeaker measured alone, or the stretch of the impulse response behind one
// arrival) turned over, missing, displaced or of another level. With noise of
// spectrum S, the log-likelihood ratio of a response H₀+D against H₀ is
//
//	Λ = Σ (2 Re D*X*E − |D|²|X|²) / S
//
// summed over frequencies and segments; Page's cumulative sum of it (Page,
// Biometrika 41, 1954) is the fastest detector for a given rate of false alarms
// (Lorden, Ann. Math. Statist. 42, 1971), and its mean time between false
// alarms is at least e^h steps for a threshold h. Real programme is not
// Gaussian and its reverberation is not white, so that S is measured as it
// goes, each step's share of an octave is bounded, and the sum is deflated by
// the overdispersion that the baseline itself shows.
//
// The sums say that something has changed. What it is, all causes are asked that
// could be: the faults, each fitted to what was heard since, and what is nobody's
// fault, with models of their own: a microphone that was moved by some centimetres,
// somebody in the way of a direct sound, warmer air. They are weighed by what they
// leave unexplained in each third of an octave, against what they left open (see
// judge). A fault is exact and has to be right everywhere; a moved microphone
// keeps the power and turns the phases, which no fault explains by more than half.
// What nobody's fault explains as well is never sure.
//
// A change that was found puts in force what was heard since, at once. The baseline
// is tested against that from then on, and so are the ways back from each of several
// changes, so that an end is told as an end and nothing is left of what is over.
//
// The speed of sound goes with the temperature of the air (√T): all delays stretch
// alike, but what processors make of them. That is followed and reported as a
// temperature, not as an event, be it a drift or a step.
//
// Units: seconds, Hz, dB; sample indexes count from the first sample fed.
// Nothing here is for two goroutines.
package watch
