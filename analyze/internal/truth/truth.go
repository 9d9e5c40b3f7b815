// Package truth is how tests tell what they have found against what was claimed;
// make truth and make watch-day put that into the tables of DEVELOPERS.md.
package truth

import (
	"fmt"
	"os"
	"testing"
)

// Thorough says whether the long Monte-Carlo runs are wanted (make truth).
var Thorough = os.Getenv("PLUMBLINE_TRUTH") != ""

// Claim reports what was claimed, against which source, and what was found.
func Claim(t testing.TB, claimed, source, format string, found ...any) {
	t.Helper()
	t.Attr("truth", fmt.Sprintf("%s | %s | %s", claimed, fmt.Sprintf(format, found...), source))
}
