// Package device captures and plays sound through PortAudio. It is the only
// package with cgo; a build without cgo, or with the tag nodevices, has the same
// API and answers every call with capture.ErrUnavailable.
//
// One goroutine owns a stream: it opens it, reads it blocking, copies the
// channels asked for into the ring and closes it. What is lost is counted and
// marked in the ring, never hidden:
//
//	device ──► blocking Read ──► pick channels ──► capture.Ring ──► analysis
//	                 │ overflow, stall, zeros, loss
//	                 └──────────► Mark + Counters + Status
//
// Reference and microphones are channels of one stream, because two devices have
// two clocks. For the same reason what is played is no reference: feed it back
// into an input channel.
//
// Channels count from 1. Samples are float32, full scale ±1. PortAudio's global
// calls are serialized here, so everything may be called from any goroutine.
// Its libraries are chatty on standard error; that is silenced while they start
// up, unless the environment has PLUMBLINE_AUDIO_DEBUG set.
package device
