package analyze

import "math"

// fullScale is the largest magnitude a 16-bit converter can deliver on its
// positive side; a sample at or over it counts as clipped.
const fullScale = 32767.0 / 32768.0

// meter follows peak, RMS and clipping of one channel between two frames.
type meter struct {
	peak    float64
	sum     float64 // of squares
	count   int
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
		if v >= fullScale {
			m.clipped++
		}
	}
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
