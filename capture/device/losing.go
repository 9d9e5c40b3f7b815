package device

import "time"

const (
	losingWindow = 10 // s that are looked back on
	losingFrom   = 3  // of those with a loss: less may be one hitch of the computer
)

// losses notices a device that keeps losing samples. One loss is a gap and a count; where
// they go on, averages begin anew all the time and somebody has to do something.
type losses struct {
	began   time.Duration // of the second under way
	before  uint64        // what was lost when it began
	seconds [losingWindow]bool
	next    int // the oldest of them
	said    bool
}

// look is given what was lost so far, a few times a second. It returns how many of the
// last ten seconds had a loss, from three on and until all have none; else 0.
func (l *losses) look(now time.Duration, lost uint64) int {
	for ; now-l.began >= time.Second; l.began += time.Second {
		if now-l.began > losingWindow*time.Second { // the computer slept
			*l = losses{began: now, before: lost}
			return 0
		}
		l.seconds[l.next] = lost != l.before
		l.next = (l.next + 1) % losingWindow
		l.before = lost
	}
	n := 0
	for _, is := range l.seconds {
		if is {
			n++
		}
	}
	l.said = n >= losingFrom || l.said && n > 0
	if !l.said {
		return 0
	}
	return n
}
