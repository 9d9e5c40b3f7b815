//go:build race

package watching

// underRace: the race detector slows the analysis by an order of magnitude; what
// runs beside nothing is left out.
const underRace = true
