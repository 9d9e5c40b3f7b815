//go:build !race

package watching

// underRace: all of it.
const underRace = false
