// Package analyze turns blocks of samples into frames: Live eats interleaved
// blocks and yields the transfer function, its certainty, arrivals, polarity and
// levels of one to 32 microphones against one reference.
//
// Pure computation: no goroutine, no clock, no I/O, and no allocation in steady
// state. The packages below it hold one idea each.
package analyze
