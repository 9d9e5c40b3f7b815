// Package rig is the virtual rig: loudspeakers and microphones in a
// rectangular room, as a capture.Source that needs no hardware.
//
//	             ┌─► reference (channel 1)
//	programme ───┤
//	             └─► delay, box, polarity ─► room ─► + noise ─► microphone (channels 2…)
//	                 of each loudspeaker
//
// The room is computed by the image-source method; each wall hit takes away
// what the absorption of its octave band says. Every loudspeaker is sent the
// same programme, so all of them together are one impulse response a
// microphone, and a change of the scene is a fade from one to another. What
// loudspeakers distort is two more, for the square and the cube of the programme.
//
// What it leaves out: sources and microphones that point somewhere, air
// absorption, scattering, differences between walls, distortion that has a memory.
//
// Lengths are in metres, counted from a lower corner of the room; levels are
// dBFS RMS (AES17). Scene is a plain value; a Rig's methods but Run may be
// called from any goroutine.
package rig
