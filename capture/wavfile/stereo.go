package wavfile

import (
	"encoding/binary"
	"math"
)

// decodeStereo is decodeChannel for both channels of 32-bit float stereo at once,
// what most measurements are recorded as and long ones take longest to read. It
// reports whether all samples are finite; which one is not, decodeChannel tells.
func decodeStereo(left, right []float64, block []byte) bool {
	right, block = right[:len(left)], block[:8*len(left)]
	n := len(left) &^ 3
	if n > 0 && !stereoQuads(left[:n], right[:n], block[:8*n]) {
		return false
	}
	return stereoQuadsGo(left[n:], right[n:], block[8*n:])
}

// stereoQuadsGo is decodeStereo for any number of frames.
func stereoQuadsGo(left, right []float64, block []byte) bool {
	finite := true
	for i := range left {
		frame := binary.LittleEndian.Uint64(block[8*i:])
		if frame&exponent32 == exponent32 || frame>>32&exponent32 == exponent32 {
			finite = false
		}
		left[i], right[i] = float64(math.Float32frombits(uint32(frame))), float64(math.Float32frombits(uint32(frame>>32)))
	}
	return finite
}
