// Package verdict puts a frame into one or two plain sentences: subject,
// finding, number with unit, where it is trusted, and the next step if there is
// one. It is pure: time is the sample index of the frames.
//
//	frame ──read──► meaning ──keep while it means the same──► sentence
//
// A Keeper holds the sentence of one microphone. It changes only when the
// meaning has been another one for a second, so that no digit flickers.
package verdict
