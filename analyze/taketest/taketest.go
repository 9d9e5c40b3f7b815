// Package taketest lends the takes of analyze/internal/programme to the tests of
// packages outside of analyze, and what spoils them.
package taketest

import "plumbline/analyze/internal/programme"

// Take is a clean one.
type Take = programme.Take

// These are those of programme.
var (
	Random   = programme.RandomTake
	New      = programme.New
	Play     = programme.Play
	Convolve = programme.Convolve
	Warp     = programme.Warp
	Drift    = programme.Drift
	Lose     = programme.Lose
	Ride     = programme.Ride
	Clip     = programme.Clip
	Compress = programme.Compress
)
