package main

import (
	"fmt"
	"io"
	"os"
	"time"
)

// progress is a line on a terminal that says how far a long job is. On
// anything but a terminal it is silent.
type progress struct {
	out  io.Writer // nil: silent
	what string
	next time.Time
	used bool
}

func newProgress(stderr io.Writer, what string) *progress {
	p := &progress{what: what, next: time.Now().Add(500 * time.Millisecond)}
	if f, ok := stderr.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			p.out = f
		}
	}
	return p
}

// at shows the state, a few times a second.
func (p *progress) at(done, of float64) {
	if now := time.Now(); p.out != nil && of > 0 && now.After(p.next) {
		p.next = now.Add(200 * time.Millisecond)
		p.used = true
		fmt.Fprintf(p.out, "\r%s: %3.0f %% of %.0f s (^C stops) ", p.what, 100*done/of, of)
	}
}

// end removes the line.
func (p *progress) end() {
	if p.used {
		fmt.Fprint(p.out, "\r\x1b[K")
	}
}
