package arrival

import (
	"fmt"
	"os"
	"testing"
)

// thorough says whether the long Monte-Carlo runs are wanted (make truth).
var thorough = os.Getenv("PLUMBLINE_TRUTH") != ""

// claim adds a row to the table of what was claimed and what was found, when
// the environment names a file for it.
func claim(t *testing.T, what, limit, source, format string, found ...any) {
	t.Helper()
	row := fmt.Sprintf("| %s: %s | %s | %s |\n", what, limit, fmt.Sprintf(format, found...), source)
	t.Log(row)
	path := os.Getenv("PLUMBLINE_TRUTH_TABLE")
	if path == "" || !thorough || t.Failed() {
		return
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(row); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
