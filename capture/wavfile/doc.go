// Package wavfile reads, replays and writes WAV files.
//
//	Open ──► File: random access, from many goroutines, flat memory
//	NewSource ──► Source: into a capture.Ring, at the pace of the clock or not
//	Create, Record ──► Writer: all or nothing, or readable whenever it ends
//
// Samples are full scale ±1. Read are 16-, 24- and 32-bit integers and 32- and
// 64-bit floats, plain and extensible headers (RFC 2361 and the multichannel
// extension), RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088), and files whose
// header was never finished. Each error is one line that says what to do.
package wavfile
