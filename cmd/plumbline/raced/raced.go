// Package raced is for the tests of the program: which of them run under the race
// detector, which slows the analysis by an order of magnitude, and which without.
package raced

import (
	"os"
	"testing"
)

// NotFor skips a test under the race detector and says why: it is about numbers, or a
// machine might not keep up with the sound.
func NotFor(t testing.TB, why string) {
	t.Helper()
	if Detector {
		t.Skip("not under the race detector: " + why)
	}
}

// Once skips a test without the race detector where PLUMBLINE_RACED says that it has
// been run with it: whole daemons in real time take as long either way.
func Once(t testing.TB) {
	t.Helper()
	if !Detector && os.Getenv("PLUMBLINE_RACED") != "" {
		t.Skip("run under the race detector")
	}
}
