package capture

// GapCause says why samples are missing before a position in the ring.
type GapCause uint8

// The causes of a gap.
const (
	NoGap    GapCause = iota
	Overflow          // the host lost samples
	Full              // the ring was full, the block was dropped
	Stall             // nothing arrived for a while
	Zeros             // a run of exact zeros: the host invented them
	Reopened          // the device was lost and found again
	Seam              // a replayed file jumped back to its start
)

// String names the cause for a log line.
func (c GapCause) String() string {
	switch c {
	case NoGap:
		return "none"
	case Overflow:
		return "overflow"
	case Full:
		return "ring full"
	case Stall:
		return "stall"
	case Zeros:
		return "zeros"
	case Reopened:
		return "reopened"
	case Seam:
		return "seam"
	}
	return "unknown"
}

// Gap is a discontinuity in front of a frame; the zero Gap is none.
type Gap struct {
	Cause      GapCause // NoGap: nothing is missing
	LostFrames uint64   // as far as it is known; 0 when it is not
	Changed    bool     // the scene was changed on purpose: old and new must not be mixed
}

// join adds a later gap at the same place. The cause that lost samples is the
// one to report; between equals the first.
func (g Gap) join(h Gap) Gap {
	if g.Cause == NoGap || (g.LostFrames == 0 && h.LostFrames > 0) {
		g.Cause = h.Cause
	}
	g.LostFrames += h.LostFrames
	g.Changed = g.Changed || h.Changed
	return g
}
