// Package stream is all that leaves the process: it publishes frames to any
// number of clients over one WebSocket, and serves the HTTP API and the front
// end. It knows results, not samples.
//
//	analyze.Frame ──Publish──► packet ──► one slot a client ──► writer ──► socket
//
// A frame is encoded once for each selection of microphones, whatever the number of
// clients, by the first writer that sends it. Each client has a slot for one frame,
// the newest: a slow one gets it later and nobody else notices. State, scene and verdicts stand on a board; each writer sends what
// its client has not seen, the newest only. See wire.md for the format and
// openapi.yaml for the API.
//
// Goroutines: one that watches for data that stopped coming, and for each
// client one reader and one writer; all have ended when Run returns.
package stream
