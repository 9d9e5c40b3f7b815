package offline

import (
	"plumbline/analyze/caution"
	"plumbline/analyze/response"
)

// CanWatch says whether Response can watch a recording on the way: what is read for
// each stretch of it reaches far enough over its end.
func CanWatch(rec Recording, cfg ResponseConfig) bool {
	return cfg.Until == nil && rec.Paths == nil &&
		int64(cfg.Window) >= caution.NewTake(rec.RateHz(), len(rec.Microphones)).SegmentFrames()
}

// watched is feed that has watch hear the part of a span that is its own: parts
// follow each other without a gap, and begin on a segment of a Take.
func watched(s response.Span, frames int64, watch *caution.Take, feed func([]float64, [][]float64)) func([]float64, [][]float64) {
	segment := watch.SegmentFrames()
	begin := func(i int64) int64 { return min((i+segment-1)/segment*segment, frames) }
	from, to, at := begin(s.From), begin(s.To), s.ReadFrom
	part := make([][]float64, 0, 8)
	return func(ref []float64, mics [][]float64) {
		n := int64(len(ref))
		first, last := max(from-at, 0), min(to-at, n)
		if at += n; first < last {
			part = part[:0]
			for _, m := range mics {
				part = append(part, m[first:last])
			}
			watch.Feed(ref[first:last], part)
		}
		feed(ref, mics)
	}
}
