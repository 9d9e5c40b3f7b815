package wavfile

import (
	"encoding/binary"
	"math"
)

// Integer full scale: the most negative value is −1 (AES17 takes the positive
// one; the difference is below the last bit).
const (
	scale16 = 1 << 15
	scale24 = 1 << 23
	scale32 = 1 << 31
)

// A float that is not finite has all bits of its exponent set.
const (
	exponent32 = 0x7F800000
	exponent64 = 0x7FF0000000000000
)

// decodeChannel takes channel c of interleaved frames; it returns the index of
// the first sample that is not finite, or −1.
func (f Format) decodeChannel(dst []float64, block []byte, c int) int {
	stride := f.frameBytes()
	p := block[c*f.Encoding.Bytes():]
	switch f.Encoding {
	case PCM16:
		for i := range dst {
			dst[i] = float64(int16(binary.LittleEndian.Uint16(p[i*stride:]))) / scale16
		}
	case PCM24:
		for i := range dst {
			dst[i] = float64(int24(p[i*stride:])) / scale24
		}
	case PCM32:
		for i := range dst {
			dst[i] = float64(int32(binary.LittleEndian.Uint32(p[i*stride:]))) / scale32
		}
	case Float32:
		for i := range dst {
			u := binary.LittleEndian.Uint32(p[i*stride:])
			if u&exponent32 == exponent32 {
				return i
			}
			dst[i] = float64(math.Float32frombits(u))
		}
	case Float64:
		for i := range dst {
			u := binary.LittleEndian.Uint64(p[i*stride:])
			if u&exponent64 == exponent64 {
				return i
			}
			dst[i] = math.Float64frombits(u)
		}
	}
	return -1
}

// decode takes all channels as they lie; it returns the index of the first
// sample that is not finite, or −1.
func (f Format) decode(dst []float32, block []byte) int {
	switch f.Encoding {
	case PCM16:
		for i := range dst {
			dst[i] = float32(int16(binary.LittleEndian.Uint16(block[2*i:]))) / scale16
		}
	case PCM24:
		for i := range dst {
			dst[i] = float32(int24(block[3*i:])) / scale24
		}
	case PCM32:
		for i := range dst {
			dst[i] = float32(int32(binary.LittleEndian.Uint32(block[4*i:]))) / scale32
		}
	case Float32:
		for i := range dst {
			u := binary.LittleEndian.Uint32(block[4*i:])
			if u&exponent32 == exponent32 {
				return i
			}
			dst[i] = math.Float32frombits(u)
		}
	case Float64:
		for i := range dst {
			v := float32(math.Float64frombits(binary.LittleEndian.Uint64(block[8*i:])))
			if math.Float32bits(v)&exponent32 == exponent32 { // too large for 32 bits is as bad
				return i
			}
			dst[i] = v
		}
	}
	return -1
}

func int24(p []byte) int32 {
	return int32(uint32(p[0])<<8|uint32(p[1])<<16|uint32(p[2])<<24) >> 8
}

// encode is the reverse of decode. Integers are rounded without dither. It
// returns how many samples did not fit and were limited; one that is not
// finite becomes 0.
func (e Encoding) encode(dst []byte, src []float32) (limited int) {
	for i, v := range src {
		if math.Float32bits(v)&exponent32 == exponent32 {
			v = 0
			limited++
		}
		switch e {
		case Float32:
			binary.LittleEndian.PutUint32(dst[4*i:], math.Float32bits(v))
		case Float64:
			binary.LittleEndian.PutUint64(dst[8*i:], math.Float64bits(float64(v)))
		case PCM16:
			n, over := quantise(v, scale16)
			binary.LittleEndian.PutUint16(dst[2*i:], uint16(n))
			limited += over
		case PCM24:
			n, over := quantise(v, scale24)
			dst[3*i], dst[3*i+1], dst[3*i+2] = byte(n), byte(n>>8), byte(n>>16)
			limited += over
		case PCM32:
			n, over := quantise(v, scale32)
			binary.LittleEndian.PutUint32(dst[4*i:], uint32(n))
			limited += over
		}
	}
	return limited
}

func quantise(v float32, scale float64) (n int32, over int) {
	x := math.RoundToEven(float64(v) * scale)
	switch {
	case x > scale-1:
		if v > 1 { // exactly full scale is a step too large by design
			over = 1
		}
		return int32(scale - 1), over
	case x < -scale:
		return int32(-scale), 1
	}
	return int32(x), 0
}
