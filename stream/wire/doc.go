// Package wire is what travels between the daemon and its clients: the binary
// frame, the text messages, the JSON objects of the HTTP API, and their checks.
// wire.md beside the parent package documents it; a test keeps both equal.
//
// Everything here is data and pure functions: no goroutine, clock or I/O.
// Keys end in their unit. What is unknown is NaN in Go and on the binary wire,
// and null in JSON.
package wire
