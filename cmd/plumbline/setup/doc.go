// Package setup runs the daemon on whatever source is chosen, now and later, on one
// address, and says step by step whether what is chosen works.
//
//	choice ──► Station: daemon ─ends─► next daemon ─► …      one listener, one show
//	             │         │
//	             │         └─ meters of all inputs ─┐
//	             ├─ Kept: choices by device         ├─► checks, in the order one takes them
//	             └─ loopback: noise out, noise in ──┘
//
// A change of device ends the daemon that measures, in its usual order, and starts
// another one with what stays: the show, the calibrations, the pages. Requests that come
// between the two wait at the door.
package setup
