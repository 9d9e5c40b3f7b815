//go:build !race

package daemon

// underRace: times mean something.
const underRace = false
