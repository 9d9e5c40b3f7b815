package analyze

import (
	"math"

	"plumbline/analyze/caution"
)

// meter follows peak, RMS and clipping of one channel between two frames.
type meter struct {
	peak    float64
	sum     float64 // of squares
	count   int
	rail    caution.Rail
	clipped uint64 // since the last reset of the counters
}

func (m *meter) add(x []float64) {
	peak, sum := m.peak, m.sum
	for _, v := range x {
		sum += v * v
		if v < 0 {
			v = -v
		}
		if v > peak {
			peak = v
		}
	}
	before := m.rail.Samples
	m.rail.Add(x)
	m.clipped += m.rail.Samples - before
	m.peak, m.sum = peak, sum
	m.count += len(x)
}

// read fills in what was seen since the last read. RMS is as AES17 reads it: a
// full-scale sine wave is 0 dB, hence the factor of two. Between two reads
// without a sample it keeps what it had.
func (m *meter) read(in *Input) {
	in.Clipped = m.clipped
	if m.count == 0 {
		return
	}
	in.PeakDBFS = 20 * math.Log10(m.peak)
	in.RMSDBFS = 10 * math.Log10(2*m.sum/float64(m.count))
	m.peak, m.sum, m.count = 0, 0, 0
}
