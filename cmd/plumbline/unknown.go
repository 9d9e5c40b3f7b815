package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// ownPrefix is that of all variables of the environment that are read here.
const ownPrefix = "PLUMBLINE_"

// noFlags are the variables without a flag: the first is read by the program, the others by
// its tests, whose environment it runs in.
var noFlags = strings.Fields(`AUDIO_DEBUG
	BROWSER CAPACITY CAPACITY_PART LIVE LOOK PICTURES REQUIRE SOAK TEST_AS_PROGRAM TEST_PART TEST_SHOW TRUTH TRUTH_FROM WATCH_DAY WATCH_HALLS`)

// warnOfUnknown writes a line for each variable that looks like one of ours and is read by
// nobody. Its value is not said: it may be a secret.
func warnOfUnknown(w io.Writer, root *cobra.Command) {
	var known []string
	var look func(cmd *cobra.Command)
	look = func(cmd *cobra.Command) {
		for _, f := range settable(cmd) {
			known = append(known, variable(f))
		}
		for _, sub := range cmd.Commands() {
			look(sub)
		}
	}
	look(root)
	all := os.Environ()
	slices.Sort(all)
	for _, set := range all {
		name, _, _ := strings.Cut(set, "=")
		rest, ours := strings.CutPrefix(name, ownPrefix)
		if !ours || slices.Contains(known, name) || slices.Contains(noFlags, rest) {
			continue
		}
		near := slices.MinFunc(known, func(a, b string) int { return edits(name, a) - edits(name, b) })
		fmt.Fprintf(w, "plumbline: nothing reads %q of the environment: is %s meant?\n", name, near)
	}
}

// edits is how many letters are to be put in, taken out or changed to make b of a
// (Levenshtein 1966).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := corner
			if a[i] != b[j] {
				change++
			}
			corner = row[j+1]
			row[j+1] = min(change, corner+1, row[j]+1)
		}
	}
	return row[len(b)]
}
