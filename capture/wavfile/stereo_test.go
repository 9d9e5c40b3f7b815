package wavfile

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"
)

// Both channels at once are what each is by itself, and what is not finite is
// found wherever it lies.
func TestStereoEqualsChannels(t *testing.T) {
	format := Format{48000, 2, Float32}
	for _, frames := range []int{1, 3, 4, 5, 8, 1003} {
		block := make([]byte, 8*frames)
		format.Encoding.encode(block, noise(2*frames, uint64(frames)))
		left, right := make([]float64, frames), make([]float64, frames)
		if !decodeStereo(left, right, block) {
			t.Errorf("%d frames: not finite", frames)
		}
		for c, got := range [][]float64{left, right} {
			want := make([]float64, frames)
			format.decodeChannel(want, block, c)
			if !slices.Equal(got, want) {
				t.Errorf("%d frames: channel %d differs", frames, c)
			}
		}
		for i := range min(2*frames, 20) {
			for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
				spoilt := slices.Clone(block)
				binary.LittleEndian.PutUint32(spoilt[4*i:], math.Float32bits(float32(bad)))
				if decodeStereo(left, right, spoilt) {
					t.Errorf("%d frames: %v as sample %d passes", frames, bad, i)
				}
			}
		}
	}
}
