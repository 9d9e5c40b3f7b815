// Package polarity tells whether a loudspeaker is wired the same way round as
// the reference or as another loudspeaker, and how sure that is.
//
// The sign of the highest peak of the impulse response is not the wiring: a
// fourth-order crossover turns the phase by 360°, a high-pass edge turns it at the
// low end, and a delay that is off by half a period turns it anywhere. So delay
// and sign are fitted together over all trusted bands, against the phase that
// the magnitude implies (Bode, Network Analysis and Feedback Amplifier Design,
// 1945, ch. 14) and against the all-pass turns of the usual crossovers
// (Linkwitz, J. Audio Eng. Soc. 24, 1976; Lipshitz and Vanderkooy, J. Audio Eng.
// Soc. 31, 1983); the verdict is the odds of the two signs with everything else
// integrated out.
//
// Pure functions of their arguments, safe for concurrent use.
package polarity
