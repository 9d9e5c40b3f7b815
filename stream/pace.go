package stream

import "time"

// pace decides when a client gets its next frame: at the rate it asked for,
// and with at most two frames on their way that it has not acknowledged.
// What was sent is remembered in order, so that a source that starts counting
// anew does no harm.
type pace struct {
	next    time.Time // when the next frame is due
	unacked [unackedMax]uint64
	n       int // of unacked
}

const (
	// slack lets a frame go a little early: frames and rate share no clock.
	slack = 5 * time.Millisecond
	// ahead is by how much a schedule begins before its first frame, which may come at any
	// time between two that are published: with slack, the 50 ms between them.
	ahead = 45 * time.Millisecond
)

// acked notes that the client has drawn the frame seq and all before it.
func (p *pace) acked(seq uint64) {
	for i := range p.n {
		if p.unacked[i] == seq {
			copy(p.unacked[:], p.unacked[i+1:p.n])
			p.n -= i + 1
			return
		}
	}
}

// room: may another frame be on its way?
func (p *pace) room() bool { return p.n < unackedMax }

// wait is how long until a frame is due; 0 or less is now.
func (p *pace) wait(now time.Time, interval time.Duration) time.Duration {
	if limit := now.Add(interval); p.next.After(limit.Add(slack)) { // the client asked for a higher rate
		p.next = limit.Add(-min(interval, ahead))
	}
	return p.next.Add(-slack).Sub(now)
}

// send notes that the frame seq goes out now. The schedule advances by whole
// intervals, so that jitter does not lower the rate; what was missed is not made up, but
// for what lies between two frames: a schedule that began somewhere there would hold
// back each frame until then, for good.
func (p *pace) send(now time.Time, interval time.Duration, seq uint64) {
	if p.next.Before(now.Add(-interval)) {
		p.next = now.Add(-min(interval, ahead))
	}
	p.next = p.next.Add(interval)
	p.unacked[p.n] = seq
	p.n++
}
