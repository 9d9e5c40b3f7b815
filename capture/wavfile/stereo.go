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
	for len(left) >= 4 && len(right) >= 4 && len(block) >= 32 { // four frames for each look at the lengths
		a, b, c, d := binary.LittleEndian.Uint64(block), binary.LittleEndian.Uint64(block[8:]), binary.LittleEndian.Uint64(block[16:]), binary.LittleEndian.Uint64(block[24:])
		if endless(a) || endless(b) || endless(c) || endless(d) {
			return false
		}
		left[0], right[0] = float64(math.Float32frombits(uint32(a))), float64(math.Float32frombits(uint32(a>>32)))
		left[1], right[1] = float64(math.Float32frombits(uint32(b))), float64(math.Float32frombits(uint32(b>>32)))
		left[2], right[2] = float64(math.Float32frombits(uint32(c))), float64(math.Float32frombits(uint32(c>>32)))
		left[3], right[3] = float64(math.Float32frombits(uint32(d))), float64(math.Float32frombits(uint32(d>>32)))
		left, right, block = left[4:], right[4:], block[32:]
	}
	for i := range left {
		u := binary.LittleEndian.Uint64(block[8*i:])
		if endless(u) {
			return false
		}
		left[i], right[i] = float64(math.Float32frombits(uint32(u))), float64(math.Float32frombits(uint32(u>>32)))
	}
	return true
}

// endless says that one of the two 32-bit floats of a frame is not finite.
func endless(frame uint64) bool {
	return frame&exponent32 == exponent32 || frame>>32&exponent32 == exponent32
}
