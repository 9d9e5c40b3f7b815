//go:build race

package daemon

// underRace: the race detector slows the analysis by an order of magnitude, so
// that a machine may not keep up with the sound, and times mean nothing.
const underRace = true
