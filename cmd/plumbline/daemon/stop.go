package daemon

import (
	"fmt"
	"time"
)

// stopLimit is how long all of the daemon may take to end.
const stopLimit = 3 * time.Second

// running is a part of the daemon that ends when it is told, and says when it has.
type running struct {
	name string
	end  func()
	done <-chan struct{}
}

// endAll ends the parts one after the other, each when those before it have ended. It
// takes no longer than within: what hangs until then is named by the error, it and what
// comes behind it are told to end and left behind.
func endAll(within time.Duration, parts ...running) error {
	limit := time.NewTimer(within)
	defer limit.Stop()
	var hangs string
	for _, p := range parts {
		p.end()
		if hangs != "" {
			continue
		}
		select {
		case <-p.done:
		case <-limit.C:
			hangs = p.name
		}
	}
	if hangs != "" {
		return fmt.Errorf("after %v the %s had not ended: plumbline leaves without it", within, hangs)
	}
	return nil
}
