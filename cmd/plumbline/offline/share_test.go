package offline

import (
	"fmt"
	"strings"
	"testing"
)

// A panic in any worker reaches whoever asked, who can catch it; in a goroutine
// of its own it would end the program.
func TestPanicReachesWhoAsked(t *testing.T) {
	for _, worker := range []int{0, 1, 3} {
		func() {
			defer func() {
				if p := fmt.Sprint(recover()); !strings.Contains(p, "a fault") || !strings.Contains(p, "share_test.go") {
					t.Errorf("worker %d: %s", worker, p)
				}
			}()
			share(8, 4, func(i int) {
				if i%4 == worker {
					panic("a fault")
				}
			})
			t.Errorf("worker %d: nothing", worker)
		}()
	}
}
