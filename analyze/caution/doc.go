// Package caution says what is wrong with a take, or with what is heard now:
// a stable code for programs and one wording for pages and command line.
//
//	samples ──Take──► Facts (clipped, silent, lost) ─┐
//	delay ───────────► Swapped, NoDelay ─────────────┴─► Caution: code, sentence, next step
//
// Take watches samples and keeps ten levels a second of each channel, so that
// what needs statistics over stretches of a take finds them here. Levels are dB
// re the RMS of a full-scale sine wave (AES17), times seconds from the start of
// what was fed, channels in sentences count from 1. Nothing here may be used by
// two goroutines at once.
package caution
