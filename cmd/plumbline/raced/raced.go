// Package raced is for the tests of the program: which of them run under the race
// detector, which slows the analysis by an order of magnitude, and which without.
package raced

import "testing"

// NotFor skips a test under the race detector and says why: it is about numbers, or a
// machine might not keep up with the sound.
func NotFor(t testing.TB, why string) {
	t.Helper()
	if Detector {
		t.Skip("not under the race detector: " + why)
	}
}
