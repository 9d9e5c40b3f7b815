package wavfile

import "fmt"

// Encoding is how a sample lies in the file.
type Encoding uint8

// The encodings that are read and written.
const (
	Float32 Encoding = iota // full scale ±1
	PCM16
	PCM24
	PCM32
	Float64
)

// Bytes is the size of one sample.
func (e Encoding) Bytes() int {
	switch e {
	case PCM16:
		return 2
	case PCM24:
		return 3
	case Float64:
		return 8
	}
	return 4
}

// String names the encoding for people.
func (e Encoding) String() string {
	switch e {
	case Float32:
		return "32-bit float"
	case PCM16:
		return "16-bit"
	case PCM24:
		return "24-bit"
	case PCM32:
		return "32-bit"
	case Float64:
		return "64-bit float"
	}
	return fmt.Sprintf("encoding %d", uint8(e))
}

// Format describes the sound in a file.
type Format struct {
	SampleRateHz int // 1000…768000
	Channels     int // 1…65535
	Encoding     Encoding
}
