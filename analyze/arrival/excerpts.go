package arrival

// Excerpt are the frames From ≤ i < To of a recording.
type Excerpt struct{ From, To int64 }

// Excerpts picks what to feed a Finder of a long recording when only the delay is
// asked for: about seconds of it, in pieces of five seconds spread over the whole.
// A recording of less than twice that is taken whole. Break belongs between two.
func Excerpts(frames int64, sampleRateHz, seconds float64) []Excerpt {
	piece := int64(5 * sampleRateHz)
	count := int64(seconds/5 + 0.5)
	if count < 1 || frames < 2*count*piece {
		return []Excerpt{{0, frames}}
	}
	list := make([]Excerpt, count)
	for i := range list {
		// The middle of each of count equal parts.
		middle := frames * (2*int64(i) + 1) / (2 * count)
		list[i] = Excerpt{middle - piece/2, middle - piece/2 + piece}
	}
	return list
}
