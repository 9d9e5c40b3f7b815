// Package level measures sound levels as a sound level meter does: frequency
// weightings A, C and Z, time weightings F and S, equivalent, exposure,
// statistical and peak levels by IEC 61672-1:2013, octave and third-octave bands
// by IEC 61260-1:2014, at any sample rate from 44.1 to 192 kHz.
//
//	x ─┬─────────────────────────► Z ─► Leq, peak
//	   ├─► A ─┬─► x² ─► F, S ─► max, L10, L50, L90
//	   │      └───────► Leq, LE, sliding Leq
//	   ├─► C ─┬─► x² ─► F, S ─► max
//	   │      ├───────► Leq
//	   │      └─► ×4  ─► peak
//	   └─► band filters ─► Leq of every band
//
// Levels are re the RMS of a full-scale sine wave (AES17) until an offset from
// Calibrate makes them dB re 20 µPa. Peaks are on the same scale: that of a
// full-scale sine wave reads +3.01 dB, as IEC 61672-1 counts.
package level
