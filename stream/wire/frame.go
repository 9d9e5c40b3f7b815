package wire

import (
	"encoding/binary"
	"fmt"
	"math"

	"plumbline/analyze"
)

// CurveID names what the numbers of an entry are.
type CurveID uint16

// The curves of a frame. Those marked (grid) have one number a frequency of the
// hello's grid; the entry's channel is the microphone's.
const (
	MagnitudeDB       CurveID = 1  // (grid)
	MagnitudeLowDB    CurveID = 2  // (grid) lower end of the 95 % interval, −Inf where it reaches zero
	MagnitudeHighDB   CurveID = 3  // (grid)
	PhaseDeg          CurveID = 4  // (grid) −180…180, after the compensation
	PhaseErrorDeg     CurveID = 5  // (grid) half width of the 95 % interval
	Coherence         CurveID = 6  // (grid) 0…1
	Threshold         CurveID = 7  // (grid) coherence below it is not trusted
	EffectiveAverages CurveID = 8  // (grid)
	Impulse           CurveID = 9  // linear, normalised to its largest magnitude
	ImpulseAxisMs     CurveID = 10 // start, step
	ArrivalDelayMs    CurveID = 11 // one number an arrival, earliest first
	ArrivalDelaySDMs  CurveID = 12
	ArrivalLevelDB    CurveID = 13 // re the strongest
	ArrivalSign       CurveID = 14 // +1, −1, 0 undecided
	DelayMs           CurveID = 15 // delay, standard deviation, 1 when fixed by the operator
	Polarity          CurveID = 16 // sign, confidence
	Levels            CurveID = 17 // peak dBFS, RMS dBFS, clipped samples; the reference has these too
	PolarityBands     CurveID = 18 // low Hz, high Hz, sign, confidence for each band
)

const (
	magic      = "PLMB"
	typeFrame  = 1
	headerSize = 48
	entrySize  = 12
	// maxFrame bounds what a decoder believes: 33 channels of the largest grid.
	maxFrame = 1 << 27
)

// Header is the fixed part of a frame.
type Header struct {
	Seq       uint64
	Sample    uint64  // index behind the newest sample in it
	UnixMs    float64 // wall clock at publication
	Epoch     uint32
	Gaps      uint32
	Bursts    uint32
	AveragedS float64
}

// AppendFrame appends the binary frame of f to dst and returns it. It allocates
// only to grow dst. What dst holds already stays: offsets count from the
// message's first byte.
func AppendFrame(dst []byte, f *analyze.Frame, unixMs float64) []byte {
	e := encoder{b: dst, start: len(dst)}
	e.b = append(e.b, magic...)
	e.b = append(e.b, Version, typeFrame)
	e.b = binary.LittleEndian.AppendUint16(e.b, 0) // entries, set at the end
	e.b = binary.LittleEndian.AppendUint64(e.b, f.Seq)
	e.b = binary.LittleEndian.AppendUint64(e.b, f.Sample)
	e.b = binary.LittleEndian.AppendUint64(e.b, math.Float64bits(unixMs))
	e.b = binary.LittleEndian.AppendUint32(e.b, f.Epoch)
	e.b = binary.LittleEndian.AppendUint32(e.b, uint32(min(f.Gaps, math.MaxUint32)))
	e.b = appendFloat(e.b, f.AveragedS)
	e.b = binary.LittleEndian.AppendUint32(e.b, uint32(min(f.Bursts, math.MaxUint32)))

	// First the directory, then the data in the same order.
	e.entry(Levels, f.Reference.Channel, 3)
	for i := range f.Microphones {
		m := &f.Microphones[i]
		c := m.Channel
		n := len(m.Curve.FrequencyHz)
		for id := MagnitudeDB; id <= EffectiveAverages; id++ {
			e.entry(id, c, n)
		}
		e.entry(Impulse, c, len(m.Impulse))
		e.entry(ImpulseAxisMs, c, 2)
		for id := ArrivalDelayMs; id <= ArrivalSign; id++ {
			e.entry(id, c, len(m.Arrivals))
		}
		e.entry(DelayMs, c, 3)
		e.entry(Polarity, c, 2)
		e.entry(Levels, c, 3)
		e.entry(PolarityBands, c, 4*len(m.Polarity.Bands))
	}
	binary.LittleEndian.PutUint16(e.b[e.start+6:], uint16(e.entries))
	offset := headerSize + e.entries*entrySize
	for i := range e.entries {
		at := e.start + headerSize + i*entrySize
		n := binary.LittleEndian.Uint32(e.b[at+4:])
		binary.LittleEndian.PutUint32(e.b[at+8:], uint32(offset))
		offset += 4 * int(n)
	}

	e.input(&f.Reference)
	for i := range f.Microphones {
		m := &f.Microphones[i]
		c := &m.Curve
		n := len(c.FrequencyHz)
		e.floats(c.MagnitudeDB, n)
		e.floats(c.MagnitudeLowDB, n)
		e.floats(c.MagnitudeHighDB, n)
		e.floats(c.PhaseDeg, n)
		e.floats(c.PhaseErrorDeg, n)
		e.floats(c.Coherence, n)
		e.floats(c.Threshold, n)
		e.floats(c.EffectiveAverages, n)
		e.floats(m.Impulse, len(m.Impulse))
		e.b = appendFloat(e.b, m.ImpulseStartMs)
		e.b = appendFloat(e.b, m.ImpulseStepMs)
		for _, a := range m.Arrivals {
			e.b = appendFloat(e.b, a.DelayMs)
		}
		for _, a := range m.Arrivals {
			e.b = appendFloat(e.b, a.DelaySDMs)
		}
		for _, a := range m.Arrivals {
			e.b = appendFloat(e.b, a.LevelDB)
		}
		for _, a := range m.Arrivals {
			e.b = appendFloat(e.b, float64(a.Sign))
		}
		e.b = appendFloat(e.b, m.DelayMs)
		e.b = appendFloat(e.b, m.DelaySDMs)
		fixed := 0.0
		if m.DelayFixed {
			fixed = 1
		}
		e.b = appendFloat(e.b, fixed)
		e.b = appendFloat(e.b, float64(m.Polarity.Sign))
		e.b = appendFloat(e.b, m.Polarity.Confidence)
		e.input(&m.Input)
		for _, b := range m.Polarity.Bands {
			e.b = appendFloat(e.b, b.LowHz)
			e.b = appendFloat(e.b, b.HighHz)
			e.b = appendFloat(e.b, float64(b.Sign))
			e.b = appendFloat(e.b, b.Confidence)
		}
	}
	return e.b
}

type encoder struct {
	b       []byte
	start   int
	entries int
}

func (e *encoder) entry(id CurveID, channel, length int) {
	e.b = binary.LittleEndian.AppendUint16(e.b, uint16(id))
	e.b = binary.LittleEndian.AppendUint16(e.b, uint16(channel))
	e.b = binary.LittleEndian.AppendUint32(e.b, uint32(length))
	e.b = binary.LittleEndian.AppendUint32(e.b, 0) // offset, set later
	e.entries++
}

// floats writes n numbers: a curve shorter than its grid ends in NaN.
func (e *encoder) floats(x []float64, n int) {
	for i := range n {
		v := math.NaN()
		if i < len(x) {
			v = x[i]
		}
		e.b = appendFloat(e.b, v)
	}
}

func (e *encoder) input(in *analyze.Input) {
	e.b = appendFloat(e.b, in.PeakDBFS)
	e.b = appendFloat(e.b, in.RMSDBFS)
	e.b = appendFloat(e.b, float64(in.Clipped))
}

func appendFloat(b []byte, x float64) []byte {
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(x)))
}

// Select appends to dst the part of an encoded frame that concerns the given
// channels and the reference, which is the channel of the first entry. The
// frame must be one of AppendFrame's. It allocates only to grow dst.
func Select(dst, frame []byte, channels []int) []byte {
	start := len(dst)
	dst = append(dst, frame[:headerSize]...)
	n := int(binary.LittleEndian.Uint16(frame[6:]))
	kept := 0
	for i := range n {
		entry := frame[headerSize+i*entrySize:][:entrySize]
		if i == 0 || contains(channels, entry) {
			dst = append(dst, entry...)
			kept++
		}
	}
	binary.LittleEndian.PutUint16(dst[start+6:], uint16(kept))
	for i := range kept {
		entry := dst[start+headerSize+i*entrySize:][:entrySize]
		from := binary.LittleEndian.Uint32(entry[8:])
		size := 4 * binary.LittleEndian.Uint32(entry[4:])
		binary.LittleEndian.PutUint32(entry[8:], uint32(len(dst)-start))
		dst = append(dst, frame[from:from+size]...)
	}
	return dst
}

func contains(channels []int, entry []byte) bool {
	c := int(binary.LittleEndian.Uint16(entry[2:]))
	for _, x := range channels {
		if x == c {
			return true
		}
	}
	return false
}

// Frame is a decoded binary frame. Decode may be called again and again on the
// same Frame: it reuses its memory.
type Frame struct {
	Header
	entries []entry
	data    []float32
}

type entry struct {
	id      CurveID
	channel int
	from, n int // within data
}

// Decode reads a binary frame. The error says what is wrong with it; f is then
// undefined.
func (f *Frame) Decode(b []byte) error {
	if len(b) < headerSize || len(b) > maxFrame || string(b[:4]) != magic {
		return fmt.Errorf("not a frame: %d bytes without the frame's header", len(b))
	}
	if b[4] != Version {
		return fmt.Errorf("frame version %d, this program reads version %d: use the same release on both ends", b[4], Version)
	}
	if b[5] != typeFrame {
		return fmt.Errorf("binary message of type %d, known is only %d", b[5], typeFrame)
	}
	n := int(binary.LittleEndian.Uint16(b[6:]))
	data := headerSize + n*entrySize
	if len(b) < data {
		return fmt.Errorf("frame of %d bytes is too short for %d curves", len(b), n)
	}
	f.Seq = binary.LittleEndian.Uint64(b[8:])
	f.Sample = binary.LittleEndian.Uint64(b[16:])
	f.UnixMs = math.Float64frombits(binary.LittleEndian.Uint64(b[24:]))
	f.Epoch = binary.LittleEndian.Uint32(b[32:])
	f.Gaps = binary.LittleEndian.Uint32(b[36:])
	f.AveragedS = float64(math.Float32frombits(binary.LittleEndian.Uint32(b[40:])))
	f.Bursts = binary.LittleEndian.Uint32(b[44:])
	f.entries = f.entries[:0]
	f.data = f.data[:0]
	for ; data+4 <= len(b); data += 4 {
		f.data = append(f.data, math.Float32frombits(binary.LittleEndian.Uint32(b[data:])))
	}
	data = headerSize + n*entrySize
	var total int64
	for i := range n {
		e := b[headerSize+i*entrySize:]
		length := int64(binary.LittleEndian.Uint32(e[4:]))
		offset := int64(binary.LittleEndian.Uint32(e[8:]))
		total += length // curves share no numbers, so that a frame costs no more than its size
		if offset%4 != 0 || offset < int64(data) || offset+4*length > int64(len(b)) || total > int64(len(f.data)) {
			return fmt.Errorf("curve %d of the frame lies outside of it", i+1)
		}
		f.entries = append(f.entries, entry{
			id:      CurveID(binary.LittleEndian.Uint16(e)),
			channel: int(binary.LittleEndian.Uint16(e[2:])),
			from:    (int(offset) - data) / 4,
			n:       int(length),
		})
	}
	return nil
}

// Curve gives the numbers of a channel's curve, nil if the frame has none. They
// are valid until the next Decode.
func (f *Frame) Curve(id CurveID, channel int) []float32 {
	for _, e := range f.entries {
		if e.id == id && e.channel == channel {
			return f.data[e.from : e.from+e.n : e.from+e.n]
		}
	}
	return nil
}

// Reference is the reference's channel, 0 if the frame is empty.
func (f *Frame) Reference() int {
	if len(f.entries) == 0 {
		return 0
	}
	return f.entries[0].channel
}

// Microphones appends the channels that have a response, in the frame's order.
func (f *Frame) Microphones(dst []int) []int {
	for _, e := range f.entries {
		if e.id == MagnitudeDB {
			dst = append(dst, e.channel)
		}
	}
	return dst
}
