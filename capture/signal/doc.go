// Package signal makes test signals, sample by sample or a period at once: pink and
// white noise, noise of one band, sine waves, exponential sweeps and single cycles.
//
// Levels are in dB re the RMS of a full-scale sine wave (AES17). Equal seeds make
// equal noise. Crest factors: a sine wave and a sweep 3.01 dB; noise is Gaussian, and
// goes 12 to 14 dB above its RMS within a minute, as periodic noise does once a period.
package signal
