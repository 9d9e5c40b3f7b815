package watch

import (
	"math"
	"testing"
)

// The room's noise is found by octave while programme plays 12 and 27 dB above it: what
// is added is known, and measured by itself. Where it is 42 dB below, reverberation of
// more than 0.7 s is left in it; less than the noise is never found. The estimate of n
// segments spreads by 1/√n over many bins: 1 dB holds for the 40 s of this baseline.
func TestFindsTheNoiseUnderTheProgramme(t *testing.T) {
	for _, db := range []float64{0, -15, -30} {
		s := newSound(newHall(rate, 1), programmes(5)["pink"], 2)
		s.gain *= math.Pow(10, db/20)
		b := learn(t, s, false)
		s.set(gain(s.hall.a, 0), gain(s.hall.b, 0))
		ref, mic := s.record(30)
		seg := newSegments(rate, b.lead)
		sum, n := make([]float64, len(b.quiet)), 0.0
		for len(ref) > 0 {
			k, whole := seg.feed(ref, mic)
			ref, mic = ref[k:], mic[k:]
			if !whole {
				continue
			}
			n++
			for o := range sum {
				for k := b.octaves[o]; k < b.octaves[o+1]; k++ {
					sum[o] += abs2(seg.Y[k])
				}
			}
		}
		for o, q := range b.quiet {
			off := 10 * math.Log10(q/(sum[o]/n))
			if off < -1 || db > -30 && off > 1 {
				t.Errorf("noise %+.0f dB, octave %d: off by %.2f dB", db, o, off)
			}
		}
	}
}
