// Package polarity tells whether a loudspeaker is wired the same way round as
// the reference or as another loudspeaker, and how sure that is.
//
// The sign of the highest peak of the impulse response is not the wiring: a
// fourth-order crossover turns the phase by 360°, a high-pass edge turns it at the
// low end, and a delay that is off by half a period turns it anywhere. So delay
// and sign are fitted together over all trusted third octaves, against the phase that
// the magnitude implies (Bode, Network Analysis and Feedback Amplifier Design,
// 1945, ch. 14), against none, as behind symmetric filters, and against the all-pass
// turns of the usual crossovers (Linkwitz, J. Audio Eng. Soc. 24, 1976; Lipshitz and
// Vanderkooy, J. Audio Eng. Soc. 31, 1983); the verdict is the odds of the two signs
// with everything else integrated out.
//
//	spectra ─► cells (third octaves) ─► fit: sign × delay × turn × way × where it is alone ─► bands ─► verdict
//
// What plays may be several loudspeakers. So nothing below 200 Hz is ever judged: a
// subwoofer's delay is another, and as good as its sign. Up to 500 Hz what is heard may
// be another's in the fit. What lies 35 dB below the loudest counts for nothing. A band
// is named only on what is heard in it: it must keep to the best hypothesis, and no other
// delay within what is known of it may explain it about as well with the other sign.
// Where two arrive about as loud, Several says that the verdict is about one of them:
// package arrival, which knows them, sees to that. Two that arrive within 0.7 ms are one
// arrival, and the sum's phase is that of the louder one whatever the wiring of the other:
// but above the crossovers there are two fronts, and where a second one stands the verdict is
// undecided. Nearer than 0.08 ms nothing shows that there are two.
//
// Pure functions of their arguments, safe for concurrent use.
package polarity
