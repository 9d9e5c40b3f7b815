// Package response estimates the transfer function between a reference and up
// to 32 microphones, and says how sure it is.
//
//	x ──────────────► window ──FFT──► X ──┬──► Gxx = <|X|²> ──┐
//	                                      ├──► Gxy = <X*·Y> ──┼──► H1 = Gxy/Gxx, γ², 95 % intervals
//	y ──start later─► window ──FFT──► Y ──┴──► Gyy = <|Y|²> ──┘
//
// An Estimator averages Spectra over overlapping segments (Welch, IEEE Trans.
// Audio Electroacoust. AU-15, 1967), with one window length or on a logarithmic
// grid with a window that suits each frequency; Spectra become a Curve, a
// smoothed copy, a forecast or an Impulse response.
//
// A Joint does so for several references that play at once, and tells the path of each.
//
// Everything derives from Spectra with their effective averages, so intervals
// stay right whatever was averaged, blended, smoothed or left out.
//
// Units: samples re full scale, densities full scale squared per hertz, delays
// in seconds (later is positive). Nothing here is safe for two goroutines at
// once; nothing allocates once it has run.
package response
