// Package survey measures loudspeakers one after the other with the daemon's
// own test signal and stores what it hears as takes: A alone, B alone, both.
//
//	silence ─► ramp ─► settle ─► measure until sure ─► silence ─► store ─► next
//	   ▲                                                              │
//	   └── stop, error, cap, or who started it does not answer ◄──────┘
//
// The sound is on only while somebody holds the dead man's handle: the live
// connection of the client that started the survey. When that is gone, the
// survey is over; while it does not answer, there is silence.
//
// A take is analysed from the very samples that are stored with it: one long
// window, so that what reverberates counts as part of a loudspeaker's response
// and the sums of takes are those of the whole sound.
//
// Goroutines: Run performs one survey at a time. While a step sounds it has two
// more, one that plays and one that holds the handle; both have ended when the
// step has.
package survey
