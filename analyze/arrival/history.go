package arrival

// history keeps the newest samples of both channels. Samples are numbered from
// the last break; what lies outside reads as zero.
type history struct {
	ref, mic []float32 // a power of two
	end      int64     // number of the sample after the newest
}

func newHistory(n int) history {
	return history{ref: make([]float32, n), mic: make([]float32, n)}
}

func (h *history) write(ref, mic []float64) {
	mask := int64(len(h.ref) - 1)
	for i, v := range ref {
		at := (h.end + int64(i)) & mask
		h.ref[at], h.mic[at] = float32(v), float32(mic[i])
	}
	h.end += int64(len(ref))
}

// oldest is the number of the oldest sample that is kept.
func (h *history) oldest() int64 { return max(0, h.end-int64(len(h.ref))) }

// read sets dst to channel from sample number from on.
func (h *history) read(dst []float64, channel []float32, from int64) {
	mask := int64(len(channel) - 1)
	first := min(max(h.oldest()-from, 0), int64(len(dst)))
	last := max(min(h.end-from, int64(len(dst))), first)
	clear(dst[:first])
	for i := first; i < last; i++ {
		dst[i] = float64(channel[(from+i)&mask])
	}
	clear(dst[last:])
}
