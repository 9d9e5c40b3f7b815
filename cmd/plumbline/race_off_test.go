//go:build !race

package main

// underRace: times mean something.
const underRace = false
