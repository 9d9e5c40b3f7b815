// Package show keeps what an engineer makes of one place and day in one file:
// the rig, the seats, the takes with their spectra and audio, corrections,
// plans, notes and a log.
//
// A show is an SQLite file with its own application id and a versioned schema.
// A method that returned without error has stored its data so that neither a
// kill nor a power cut loses it. Nothing is destroyed: what is deleted is
// hidden under the log entry that deleted it, and Undo brings it back. Only one
// process can have a show open.
//
// Errors that a user can act on are *wire.Error. Methods may be called from
// several goroutines; they take turns.
package show
