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
	Changed           // the scene was changed on purpose: nothing is missing, but old and new must not be mixed
)

// Gap is a discontinuity in front of a frame.
type Gap struct {
	Cause      GapCause
	LostFrames uint64 // as far as it is known; 0 when it is not
}

// Ring carries interleaved frames from one producer to one consumer without a
// lock: both ends may run at the same time, each in one goroutine only.
// A block that does not fit is dropped whole, counted, and marked as a Gap in
// front of the next frame that fits.
//
// Producer: Write, Mark, Close. Consumer: Read, Wait. Anyone: Dropped, Len.
type Ring struct{}
