//go:build !race

package raced

// Detector says whether this is built with the race detector.
const Detector = false
