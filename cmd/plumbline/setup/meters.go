package setup

import (
	"math"
	"sync/atomic"
	"time"

	"plumbline/analyze/caution"
	"plumbline/stream/wire"
)

const (
	windowsPerS = 8
	rmsWindows  = 2  // 0.25 s
	peakWindows = 8  // 1 s
	longWindows = 80 // 10 s: a song's pause is not its level
)

// meters are those of every captured channel, whether it is measured or not. hear is
// for the pump alone, which waits for nobody here; the others may read at any time.
type meters struct {
	window int // frames
	at     int
	sum    []float64
	peak   []float32
	clip   []uint64
	past   [][longWindows]windowOf
	n      int
	read   []reading
	now    func() time.Time
}

type windowOf struct {
	power float64
	peak  float32
}

// reading is what a channel's meter says, as bits of float64.
type reading struct {
	rms, peak, long, clippedAt atomic.Uint64
	clipped                    atomic.Uint64
}

func newMeters(channels, rateHz int) *meters {
	m := &meters{
		window: rateHz / windowsPerS, sum: make([]float64, channels), peak: make([]float32, channels), clip: make([]uint64, channels),
		past: make([][longWindows]windowOf, channels), read: make([]reading, channels), now: time.Now,
	}
	for i := range m.read {
		for _, v := range []*atomic.Uint64{&m.read[i].rms, &m.read[i].peak, &m.read[i].long} {
			v.Store(math.Float64bits(math.NaN()))
		}
	}
	return m
}

func (m *meters) hear(block []float32, _ bool) {
	channels := len(m.sum)
	for len(block) > 0 {
		n := min(len(block)/channels, m.window-m.at)
		for c := range channels {
			sum, peak := m.sum[c], m.peak[c]
			for i := c; i < n*channels; i += channels {
				x := block[i]
				sum += float64(x) * float64(x)
				if x < 0 {
					x = -x
				}
				peak = max(peak, x)
				if x >= caution.FullScale {
					m.clip[c]++
				}
			}
			m.sum[c], m.peak[c] = sum, peak
		}
		block = block[n*channels:]
		if m.at += n; m.at == m.window {
			m.publish()
		}
	}
}

// publish ends a window.
func (m *meters) publish() {
	for c := range m.sum {
		past, r := &m.past[c], &m.read[c]
		past[m.n%longWindows] = windowOf{m.sum[c] / float64(m.window), m.peak[c]}
		power, peak, long := 0.0, float32(0), float32(0)
		for k := range min(m.n+1, longWindows) {
			w := past[(m.n-k)%longWindows]
			if k < rmsWindows {
				power += w.power / float64(min(m.n+1, rmsWindows))
			}
			if k < peakWindows {
				peak = max(peak, w.peak)
			}
			long = max(long, w.peak)
		}
		// A full-scale sine wave reads 0 dB (AES17); a peak is re full scale.
		r.rms.Store(math.Float64bits(10 * math.Log10(2*power)))
		r.peak.Store(math.Float64bits(20 * math.Log10(float64(peak))))
		r.long.Store(math.Float64bits(20 * math.Log10(float64(long))))
		if m.clip[c] > r.clipped.Load() {
			r.clippedAt.Store(uint64(m.now().UnixNano()))
			r.clipped.Store(m.clip[c])
		}
		m.sum[c], m.peak[c] = 0, 0
	}
	m.n++
	m.at = 0
}

// input is how a channel, from 1, does.
func (m *meters) input(channel int, name string) wire.SetupInput {
	r := &m.read[channel-1]
	v := wire.SetupInput{Channel: channel, Name: name, PeakDBFS: level(r.peak.Load()), RMSDBFS: level(r.rms.Load()), ClippedSamples: r.clipped.Load()}
	if at := m.clippedAt(channel); !at.IsZero() {
		v.ClippedAt = at.UTC().Format(time.RFC3339)
	}
	return v
}

func (m *meters) clippedAt(channel int) time.Time {
	if at := m.read[channel-1].clippedAt.Load(); at != 0 {
		return time.Unix(0, int64(at))
	}
	return time.Time{}
}

// highest is the peak of the last ten seconds, dBFS; NaN: nothing was heard yet.
func (m *meters) highest(channel int) float64 {
	return math.Float64frombits(m.read[channel-1].long.Load())
}

// silentDBFS stands for digital silence, which has no decibels.
const silentDBFS = -160

func level(bits uint64) wire.Value {
	db := math.Float64frombits(bits)
	if math.IsNaN(db) {
		return wire.Unknown()
	}
	return wire.Value(math.Round(10*max(db, silentDBFS)) / 10)
}
