package wire

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

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

// Frame holds the numbers of a frame as they go over the wire. Set and Decode may be
// called again and again on the same Frame: they reuse its memory. What only reads
// may do so from several goroutines.
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

// Set makes f the numbers of src at a time in ms since 1970, and returns f. Nothing
// of src is kept.
func (f *Frame) Set(src *analyze.Frame, unixMs float64) *Frame {
	f.Header = Header{
		Seq: src.Seq, Sample: src.Sample, UnixMs: unixMs, Epoch: src.Epoch,
		Gaps: uint32(min(src.Gaps, math.MaxUint32)), Bursts: uint32(min(src.Bursts, math.MaxUint32)),
		AveragedS: float64(float32(src.AveragedS)),
	}
	f.entries, f.data = f.entries[:0], f.data[:0]
	f.input(&src.Reference)
	for i := range src.Microphones {
		m := &src.Microphones[i]
		c, at := &m.Curve, m.Channel
		n := len(c.FrequencyHz)
		f.curve(MagnitudeDB, at, c.MagnitudeDB, n)
		f.curve(MagnitudeLowDB, at, c.MagnitudeLowDB, n)
		f.curve(MagnitudeHighDB, at, c.MagnitudeHighDB, n)
		f.curve(PhaseDeg, at, c.PhaseDeg, n)
		f.curve(PhaseErrorDeg, at, c.PhaseErrorDeg, n)
		f.curve(Coherence, at, c.Coherence, n)
		f.curve(Threshold, at, c.Threshold, n)
		f.curve(EffectiveAverages, at, c.EffectiveAverages, n)
		f.curve(Impulse, at, m.Impulse, len(m.Impulse))
		f.numbers(ImpulseAxisMs, at, m.ImpulseStartMs, m.ImpulseStepMs)
		f.numbers(ArrivalDelayMs, at)
		for _, a := range m.Arrivals {
			f.more(a.DelayMs)
		}
		f.numbers(ArrivalDelaySDMs, at)
		for _, a := range m.Arrivals {
			f.more(a.DelaySDMs)
		}
		f.numbers(ArrivalLevelDB, at)
		for _, a := range m.Arrivals {
			f.more(a.LevelDB)
		}
		f.numbers(ArrivalSign, at)
		for _, a := range m.Arrivals {
			f.more(float64(a.Sign))
		}
		fixed := 0.0
		if m.DelayFixed {
			fixed = 1
		}
		f.numbers(DelayMs, at, m.DelayMs, m.DelaySDMs, fixed)
		f.numbers(Polarity, at, float64(m.Polarity.Sign), m.Polarity.Confidence)
		f.input(&m.Input)
		f.numbers(PolarityBands, at)
		for _, b := range m.Polarity.Bands {
			f.more(b.LowHz, b.HighHz, float64(b.Sign), b.Confidence)
		}
	}
	return f
}

// numbers begins an entry with these.
func (f *Frame) numbers(id CurveID, channel int, x ...float64) {
	f.entries = append(f.entries, entry{id: id, channel: channel, from: len(f.data)})
	f.more(x...)
}

// more goes on with it.
func (f *Frame) more(x ...float64) {
	for _, v := range x {
		f.data = append(f.data, float32(v))
	}
	f.entries[len(f.entries)-1].n += len(x)
}

// curve adds an entry of n numbers: one shorter than its grid ends in NaN.
func (f *Frame) curve(id CurveID, channel int, x []float64, n int) {
	f.numbers(id, channel, x[:min(n, len(x))]...)
	for i := len(x); i < n; i++ {
		f.more(math.NaN())
	}
}

func (f *Frame) input(in *analyze.Input) {
	f.numbers(Levels, in.Channel, in.PeakDBFS, in.RMSDBFS, float64(in.Clipped))
}

// Append appends the binary frame of f to dst and returns it: of the reference,
// whose entry is the first, and of the given microphones, by their channels; nil
// is all. It allocates only to grow dst. What dst holds already stays: offsets
// count from the message's first byte.
func (f *Frame) Append(dst []byte, microphones []int) []byte {
	start := len(dst)
	dst = append(dst, magic...)
	dst = append(dst, Version, typeFrame)
	dst = binary.LittleEndian.AppendUint16(dst, 0) // entries, set below
	dst = binary.LittleEndian.AppendUint64(dst, f.Seq)
	dst = binary.LittleEndian.AppendUint64(dst, f.Sample)
	dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(f.UnixMs))
	dst = binary.LittleEndian.AppendUint32(dst, f.Epoch)
	dst = binary.LittleEndian.AppendUint32(dst, f.Gaps)
	dst = binary.LittleEndian.AppendUint32(dst, math.Float32bits(float32(f.AveragedS)))
	dst = binary.LittleEndian.AppendUint32(dst, f.Bursts)

	// First the directory, then the data in the same order.
	kept := 0
	for i := range f.entries {
		if f.wanted(i, microphones) {
			kept++
		}
	}
	binary.LittleEndian.PutUint16(dst[start+6:], uint16(kept))
	offset := headerSize + kept*entrySize
	for i, e := range f.entries {
		if f.wanted(i, microphones) {
			dst = binary.LittleEndian.AppendUint16(dst, uint16(e.id))
			dst = binary.LittleEndian.AppendUint16(dst, uint16(e.channel))
			dst = binary.LittleEndian.AppendUint32(dst, uint32(e.n))
			dst = binary.LittleEndian.AppendUint32(dst, uint32(offset))
			offset += 4 * e.n
		}
	}
	for i, e := range f.entries {
		if f.wanted(i, microphones) {
			for _, x := range f.data[e.from : e.from+e.n] {
				dst = binary.LittleEndian.AppendUint32(dst, math.Float32bits(x))
			}
		}
	}
	return dst
}

// wanted says whether a client that asked for these microphones gets an entry: of the others it
// has the levels, which are a few numbers and tell whether anything arrives at all.
func (f *Frame) wanted(entry int, microphones []int) bool {
	e := &f.entries[entry]
	return entry == 0 || microphones == nil || e.id == Levels || slices.Contains(microphones, e.channel)
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
