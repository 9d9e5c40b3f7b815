// Package sweep makes impulse responses and curves of distortion from the recording of
// an exponential sweep (A. Farina, AES 108th Convention, 2000; ISO 18233:2006).
//
//	y ─► refused if clipped or interrupted ─► Y/X ─► each sweep found ─► mean ─┬─► impulse response
//	                                                                          └─► orders 2 to 5
//
// The inverse is the exact one of the sweep as it was played, with its fades: a division
// of spectra. The product of order n lies L·ln n in front of the response (L = T/ln(f2/f1)),
// whatever the phase the sweep begins with; that of f1·L whole (A. Novak, P. Lotton and L.
// Simon, J. Audio Eng. Soc. 63(10), 2015) only keeps the phases of the orders, which no
// curve here has.
package sweep
