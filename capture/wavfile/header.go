package wavfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// What the format chunk says of the coding (RFC 2361; multichannel and
// high-resolution files wrap it in the extensible form).
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE
)

// guidTail follows the tag in the SubFormat of the extensible form.
var guidTail = []byte{0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71}

// open32 is the size that an RF64 file has in place of the real one, which is
// in its ds64 chunk (EBU Tech 3306), and that a pipe leaves where it cannot
// go back to write one.
const open32 = 0xFFFFFFFF

const (
	maxChunks  = 10000
	minRateHz  = 1000
	maxRateHz  = 768000
	chunkBytes = 8 // id and size
)

// layout is where the sound lies in the file.
type layout struct {
	format Format
	start  int64 // byte of the first frame
	frames int64
	lost   int64 // frames that the header promises and the file has not
	more   int64 // frames in data chunks behind the first, which are not read
}

// parse reads the chunks up to the sound.
func parse(r io.ReaderAt, size int64) (layout, error) {
	var (
		l    layout
		head [12]byte
		long int64 // size of the sound from ds64
	)
	if size < int64(len(head)) {
		return l, fmt.Errorf("is not a WAV file: %d bytes are too short for one", size)
	}
	if err := readAt(r, head[:], 0); err != nil {
		return l, err
	}
	switch form := string(head[:4]); {
	case form == "RIFX":
		return l, errors.New("is a big-endian WAV file: convert it to the usual little-endian form")
	case form != "RIFF" && form != "RF64" && form != "BW64" || string(head[8:]) != "WAVE":
		return l, errors.New("is not a WAV file: it does not begin with RIFF and WAVE")
	}
	riff := int64(binary.LittleEndian.Uint32(head[4:]))

	at := int64(len(head))
	for range maxChunks {
		var chunk [chunkBytes]byte
		if size-at < chunkBytes {
			if l.format.Channels == 0 {
				return l, errors.New("ends before its format chunk: it was cut short, copy or record it again")
			}
			return l, errors.New("has no data chunk: it was cut short, copy or record it again")
		}
		if err := readAt(r, chunk[:], at); err != nil {
			return l, err
		}
		at += chunkBytes
		id, n := string(chunk[:4]), int64(binary.LittleEndian.Uint32(chunk[4:]))
		switch id {
		case "ds64":
			var b [24]byte
			if n < int64(len(b)) || size-at < n {
				return l, errors.New("has a broken ds64 chunk: export it again")
			}
			if err := readAt(r, b[:], at); err != nil {
				return l, err
			}
			riff = int64(binary.LittleEndian.Uint64(b[0:]))
			long = int64(binary.LittleEndian.Uint64(b[8:]))
		case "fmt ":
			if size-at < n {
				return l, errors.New("ends inside its format chunk: it was cut short, copy or record it again")
			}
			b := make([]byte, min(n, 40))
			if err := readAt(r, b, at); err != nil {
				return l, err
			}
			var err error
			if l.format, err = parseFormat(b); err != nil {
				return l, err
			}
		case "data":
			if l.format.Channels == 0 {
				return l, errors.New("has its sound before its format chunk: export it again")
			}
			if n == open32 && long > 0 {
				n = long
			}
			// A size that was never filled in, or a file cut short: what is there counts.
			unfinished := n == open32 || n == 0 && riff != size-chunkBytes
			if rest := size - at; unfinished || n > rest || n < 0 {
				if !unfinished && n > 0 {
					l.lost = (n - rest) / int64(l.format.frameBytes())
				}
				n = rest
			}
			l.start = at
			l.frames = n / int64(l.format.frameBytes())
			if l.frames == 0 {
				return l, errors.New("holds no sound: its data chunk is empty")
			}
			l.more = more(r, at+n+n&1, size) / int64(l.format.frameBytes())
			return l, nil
		}
		if n > size-at {
			n = size - at
		}
		at += n + n&1 // chunks begin at even bytes
	}
	return l, fmt.Errorf("has more than %d chunks before its sound: it is damaged, export it again", maxChunks)
}

// more is how many bytes of sound lie in data chunks from byte at on. The format
// knows one; some recorders that were paused have written several. What does not
// look like chunks is nobody's sound.
func more(r io.ReaderAt, at, size int64) (bytes int64) {
	for range maxChunks {
		var chunk [chunkBytes]byte
		if size-at < chunkBytes || readAt(r, chunk[:], at) != nil {
			return bytes
		}
		at += chunkBytes
		n := min(int64(binary.LittleEndian.Uint32(chunk[4:])), size-at)
		if string(chunk[:4]) == "data" {
			bytes += n
		}
		at += n + n&1
	}
	return bytes
}

func parseFormat(b []byte) (Format, error) {
	var f Format
	if len(b) < 16 {
		return f, fmt.Errorf("has a format chunk of %d bytes where at least 16 are needed: export it again", len(b))
	}
	tag := int(binary.LittleEndian.Uint16(b[0:]))
	f.Channels = int(binary.LittleEndian.Uint16(b[2:]))
	rate := binary.LittleEndian.Uint32(b[4:])
	align := int(binary.LittleEndian.Uint16(b[12:]))
	bits := int(binary.LittleEndian.Uint16(b[14:]))
	if tag == tagExtensible {
		if len(b) < 40 {
			return f, fmt.Errorf("has an extensible format chunk of %d bytes where 40 are needed: export it again", len(b))
		}
		if !bytes.Equal(b[26:40], guidTail) {
			return f, errors.New("has a coding this program does not know: convert it to 16-, 24- or 32-bit PCM")
		}
		tag = int(binary.LittleEndian.Uint16(b[24:]))
	}
	switch {
	case f.Channels == 0:
		return f, errors.New("says that it has no channels: export it again")
	case rate < minRateHz || rate > maxRateHz:
		return f, fmt.Errorf("says that its sample rate is %d Hz, outside %d…%d: export it again", rate, minRateHz, maxRateHz)
	}
	f.SampleRateHz = int(rate)
	switch {
	case tag == tagPCM && bits > 8 && bits <= 16:
		f.Encoding = PCM16
	case tag == tagPCM && bits > 16 && bits <= 24:
		f.Encoding = PCM24
	case tag == tagPCM && bits > 24 && bits <= 32:
		f.Encoding = PCM32
	case tag == tagFloat && bits == 32:
		f.Encoding = Float32
	case tag == tagFloat && bits == 64:
		f.Encoding = Float64
	case tag == tagPCM || tag == tagFloat:
		return f, fmt.Errorf("has %d-bit samples, which are not read: convert it to 16-, 24- or 32-bit PCM", bits)
	default:
		return f, fmt.Errorf("is compressed (%s): convert it to 16-, 24- or 32-bit PCM", codec(tag))
	}
	if align != f.frameBytes() && align != 0 { // some write none
		return f, fmt.Errorf("contradicts itself: %d bytes a frame for %d channels of %s samples; export it again",
			align, f.Channels, f.Encoding)
	}
	return f, nil
}

// codec names the codings that are met in practice (RFC 2361).
func codec(tag int) string {
	switch tag {
	case 0x0002, 0x0011:
		return "ADPCM"
	case 0x0006:
		return "A-law"
	case 0x0007:
		return "µ-law"
	case 0x0050, 0x0055:
		return "MPEG audio"
	}
	return fmt.Sprintf("coding 0x%04x", tag)
}

func (f Format) frameBytes() int { return f.Channels * f.Encoding.Bytes() }

func readAt(r io.ReaderAt, b []byte, at int64) error {
	if n, err := r.ReadAt(b, at); n < len(b) {
		if errors.Is(err, io.EOF) {
			return errors.New("became shorter while it was read: wait until it is complete")
		}
		return err
	}
	return nil
}
