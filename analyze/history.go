package analyze

// History keeps the newest samples of every channel, so that what was just
// heard can be stored or analysed again. It is not for two goroutines.
type History struct {
	channels int
	data     []float32 // interleaved, a ring of whole frames
	frames   int       // capacity in frames
	next     int       // frame written next
	filled   int       // frames held
	gaps     []gap     // the newest
	end      uint64    // sample index behind the newest frame
}

// gap is a discontinuity.
type gap struct {
	at   uint64 // sample index of the frame behind it
	lost uint64 // frames that are missing in front of that
}

// gapsKept bounds how many discontinuities are remembered.
const gapsKept = 256

// NewHistory returns a history of frames frames of channels channels.
func NewHistory(channels, frames int) *History {
	return &History{
		channels: channels,
		frames:   frames,
		data:     make([]float32, channels*frames),
		gaps:     make([]gap, 0, gapsKept),
	}
}

// Write appends interleaved frames, dropping the oldest.
func (h *History) Write(samples []float32) {
	n := len(samples) / h.channels
	h.end += uint64(n)
	if n > h.frames {
		samples = samples[(n-h.frames)*h.channels:]
		n = h.frames
	}
	first := min(n, h.frames-h.next)
	copy(h.data[h.next*h.channels:], samples[:first*h.channels])
	copy(h.data, samples[first*h.channels:n*h.channels])
	h.next = (h.next + n) % h.frames
	h.filled = min(h.filled+n, h.frames)
}

// Gap marks a discontinuity in front of the next frame; lost frames advance
// the sample clock without being held.
func (h *History) Gap(lost uint64) {
	h.end += lost
	if len(h.gaps) == gapsKept {
		copy(h.gaps, h.gaps[1:])
		h.gaps = h.gaps[:gapsKept-1]
	}
	h.gaps = append(h.gaps, gap{h.end, lost})
}

// End is the sample index behind the newest frame.
func (h *History) End() uint64 { return h.end }

// Frames is how many frames are held.
func (h *History) Frames() int { return h.filled }

// Unbroken is how many of the newest frames have no discontinuity between them.
func (h *History) Unbroken() int {
	if len(h.gaps) == 0 {
		return h.filled
	}
	return int(min(h.end-h.gaps[len(h.gaps)-1].at, uint64(h.filled)))
}

// Since is how many of the frames held are from a sample index on: fewer than the
// difference of the indexes where some were lost.
func (h *History) Since(sample uint64) int {
	n := h.end - min(sample, h.end)
	for _, g := range h.gaps {
		if g.at > sample {
			n -= min(g.lost, g.at-sample)
		}
	}
	return int(min(n, uint64(h.filled)))
}

// Last appends the newest frames of one channel (0-based) to dst, oldest first:
// at most n frames, fewer while fewer are held.
func (h *History) Last(dst []float64, channel, n int) []float64 {
	n = min(n, h.filled)
	at := h.next - n
	if at < 0 {
		at += h.frames
	}
	for range n {
		dst = append(dst, float64(h.data[at*h.channels+channel]))
		if at++; at == h.frames {
			at = 0
		}
	}
	return dst
}

// Interleaved appends the newest n frames of all channels to dst.
func (h *History) Interleaved(dst []float32, n int) []float32 {
	n = min(n, h.filled)
	at := h.next - n
	if at >= 0 {
		return append(dst, h.data[at*h.channels:h.next*h.channels]...)
	}
	dst = append(dst, h.data[(at+h.frames)*h.channels:]...)
	return append(dst, h.data[:h.next*h.channels]...)
}
