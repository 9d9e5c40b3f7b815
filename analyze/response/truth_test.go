package response

import (
	"fmt"
	"os"
	"testing"
)

// thorough says whether the long Monte-Carlo runs are wanted (make truth).
var thorough = os.Getenv("PLUMBLINE_TRUTH") != ""

// claim reports what was claimed, what was found and against which source; make
// truth puts it into a table.
func claim(t *testing.T, what, limit, format string, found float64, source string) {
	t.Helper()
	t.Attr("truth", fmt.Sprintf("%s: %s | "+format+" | %s", what, limit, found, source))
}
