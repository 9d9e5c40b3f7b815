package wire

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/analyze"
	"plumbline/stream/internal/frametest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const unixMs = 1786536000123.456 // 2026-08-12T12:00:00.123456Z

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s changed: look at the difference after go test -update", path)
	}
}

func TestFrameGolden(t *testing.T) {
	golden(t, "frame.bin", new(Frame).Set(frametest.New(2), unixMs).Append(nil, nil))
}

// The header by hand, byte for byte as wire.md says.
func TestFrameHeader(t *testing.T) {
	f := frametest.New(1)
	b := new(Frame).Set(f, unixMs).Append(nil, nil)
	if string(b[:4]) != "PLMB" || b[4] != 1 || b[5] != 1 {
		t.Fatalf("head % x", b[:6])
	}
	const curves = 1 + 8 + 2 + 4 + 4
	for _, c := range []struct {
		name      string
		got, want uint64
	}{
		{"curves", uint64(binary.LittleEndian.Uint16(b[6:])), curves},
		{"seq", binary.LittleEndian.Uint64(b[8:]), 7},
		{"sample", binary.LittleEndian.Uint64(b[16:]), 96000},
		{"time", binary.LittleEndian.Uint64(b[24:]), math.Float64bits(unixMs)},
		{"epoch", uint64(binary.LittleEndian.Uint32(b[32:])), 1},
		{"gaps", uint64(binary.LittleEndian.Uint32(b[36:])), 2},
		{"averaged", uint64(binary.LittleEndian.Uint32(b[40:])), uint64(math.Float32bits(2))},
		{"bursts", uint64(binary.LittleEndian.Uint32(b[44:])), 1},
		{"first entry's offset", uint64(binary.LittleEndian.Uint32(b[48+8:])), 48 + 12*curves},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", c.name, c.got, c.want)
		}
	}
}

func TestFrameRoundTrip(t *testing.T) {
	f := frametest.New(3)
	// A prefix shows that offsets count from the message's start.
	prefixed := new(Frame).Set(f, unixMs).Append([]byte("abc"), nil)
	b := new(Frame).Set(f, unixMs).Append(nil, nil)
	if !bytes.Equal(prefixed[3:], b) {
		t.Fatal("a frame depends on what stands in front of it")
	}
	var d Frame
	if err := d.Decode(b); err != nil {
		t.Fatal(err)
	}
	if got := d.Microphones(nil); !slices.Equal(got, []int{2, 3, 4}) || d.Reference() != 1 {
		t.Fatalf("microphones %v, reference %d", got, d.Reference())
	}
	for _, m := range f.Microphones {
		c := m.Curve
		for id, want := range map[CurveID][]float64{
			MagnitudeDB: c.MagnitudeDB, MagnitudeLowDB: c.MagnitudeLowDB, MagnitudeHighDB: c.MagnitudeHighDB,
			PhaseDeg: c.PhaseDeg, PhaseErrorDeg: c.PhaseErrorDeg, Coherence: c.Coherence,
			Threshold: c.Threshold, EffectiveAverages: c.EffectiveAverages, Impulse: m.Impulse,
			ImpulseAxisMs:  {m.ImpulseStartMs, m.ImpulseStepMs},
			ArrivalDelayMs: {23.42}, ArrivalDelaySDMs: {0.002}, ArrivalLevelDB: {0}, ArrivalSign: {1},
			DelayMs: {23.42, 0.002, 0}, Polarity: {1, 0.9995}, Levels: {-14.5, -26.25, 3},
			PolarityBands: {63, 500, 1, 0.999, 500, 14000, 1, 0.998},
		} {
			got := d.Curve(id, m.Channel)
			if len(got) != len(want) {
				t.Fatalf("curve %d of channel %d has %d numbers, want %d", id, m.Channel, len(got), len(want))
			}
			for i := range want {
				if w := float32(want[i]); got[i] != w && !(w != w && got[i] != got[i]) {
					t.Fatalf("curve %d of channel %d, number %d: %g, want %g", id, m.Channel, i, got[i], w)
				}
			}
		}
	}
	if d.Curve(MagnitudeDB, 1) != nil {
		t.Error("the reference has a response")
	}
}

// A curve shorter than its grid must not shift the ones behind it.
func TestFrameShortCurve(t *testing.T) {
	f := frametest.New(1)
	f.Microphones[0].Curve.Threshold = nil
	var d Frame
	if err := d.Decode(new(Frame).Set(f, 0).Append(nil, nil)); err != nil {
		t.Fatal(err)
	}
	if got := d.Curve(Threshold, 2); len(got) != len(f.Microphones[0].Curve.FrequencyHz) || got[0] == got[0] {
		t.Error("a missing curve is not all unknown")
	}
	if got := d.Curve(EffectiveAverages, 2); got[0] != 44.5 {
		t.Error("the next curve moved")
	}
}

// A selection has all of the microphones in it, and the levels of the others.
func TestSelectEqualsEncodingLess(t *testing.T) {
	f := frametest.New(5)
	var all Frame
	all.Set(f, unixMs)
	some := *f
	some.Microphones = []analyze.Microphone{f.Microphones[1], f.Microphones[3]}
	var want, got Frame
	less := new(Frame).Set(&some, unixMs).Append(nil, nil)
	data := all.Append([]byte("xyz"), []int{5, 3, 99})[3:]
	if others, levels := 3, entrySize+3*4; len(data) != len(less)+others*levels {
		t.Errorf("%d bytes, without the levels of %d others %d", len(data), others, len(less))
	}
	if err := errors.Join(want.Decode(less), got.Decode(data)); err != nil {
		t.Fatal(err)
	}
	for _, m := range f.Microphones {
		selected := slices.Contains([]int{3, 5}, m.Channel)
		for id := MagnitudeDB; id <= PolarityBands; id++ {
			w := want.Curve(id, m.Channel)
			if id == Levels && !selected {
				w = all.Curve(id, m.Channel)
			}
			g := got.Curve(id, m.Channel)
			same := slices.EqualFunc(g, w, func(a, b float32) bool { return a == b || a != a && b != b })
			if (g == nil) != (w == nil) || !same {
				t.Errorf("curve %d of channel %d: %v, want %v", id, m.Channel, g, w)
			}
		}
	}
	if a, b := got.Microphones(nil), want.Microphones(nil); !slices.Equal(a, b) {
		t.Errorf("microphones %v, want %v", a, b)
	}
}

// What is said of a frame in words is the same at both ends of the wire.
func TestObjectOfTheFrameItselfAndOfItsBytes(t *testing.T) {
	src := frametest.New(2)
	src.AveragedS = 0.1 // no float32
	m := &src.Microphones[1]
	m.DelayMs, m.DelaySDMs, m.PeakDBFS, m.Arrivals = math.NaN(), math.NaN(), math.Inf(-1), nil
	src.Microphones[0].Curve.MagnitudeLowDB[3] = math.Inf(-1)
	src.Gaps = 1 << 40
	var here, there Frame
	if err := there.Decode(here.Set(src, unixMs).Append(nil, nil)); err != nil {
		t.Fatal(err)
	}
	hello := Hello{RateHz: 48000, Grid: m.Curve.FrequencyHz}
	a, errA := NewObject(&here, hello, sampleState(), []Verdict{sampleVerdict()}, 343.2).json()
	b, errB := NewObject(&there, hello, sampleState(), []Verdict{sampleVerdict()}, 343.2).json()
	if errA != nil || errB != nil || !bytes.Equal(a, b) {
		t.Errorf("%v, %v: here\n%.400s\nthere\n%.400s", errA, errB, a, b)
	}
}

func TestEncodingAllocatesNothing(t *testing.T) {
	f := frametest.New(4)
	var src, d Frame
	b := src.Set(f, 0).Append(nil, nil)
	part := src.Append(nil, []int{3})
	d.Decode(b)
	if n := testing.AllocsPerRun(100, func() {
		b = src.Set(f, 0).Append(b[:0], nil)
		part = src.Append(part[:0], []int{3})
		if d.Decode(b) != nil {
			t.Error("does not decode")
		}
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

// A message that is no frame, or not all of one, is refused with the reason.
func TestDecodeRefuses(t *testing.T) {
	good := new(Frame).Set(frametest.New(1), unixMs).Append(nil, nil)
	// with is the frame with a number in place of what stands at a byte of it.
	with := func(at int, v uint32) []byte {
		b := bytes.Clone(good)
		binary.LittleEndian.PutUint32(b[at:], v)
		return b
	}
	const length, offset = headerSize + 4, headerSize + 8 // of the first entry
	directory := binary.LittleEndian.Uint32(good[offset:])
	for name, c := range map[string]struct {
		b    []byte
		want string
	}{
		"nothing":              {nil, "not a frame"},
		"the magic alone":      {good[:4], "not a frame"},
		"half a header":        {good[:headerSize-1], "not a frame"},
		"something else":       {append([]byte("RIFF"), good[4:]...), "not a frame"},
		"a later version":      {append([]byte("PLMB\x02"), good[5:]...), "frame version 2"},
		"another message":      {append([]byte("PLMB\x01\x07"), good[6:]...), "type 7"},
		"half a directory":     {good[:headerSize+entrySize], "too short"},
		"cut short":            {good[:len(good)-4], "outside"},
		"in the directory":     {with(offset, directory-4), "curve 1"},
		"between two numbers":  {with(offset, directory+2), "curve 1"},
		"behind the end":       {with(offset, uint32(len(good))), "curve 1"},
		"longer than the data": {with(length, 1<<31), "curve 1"},
		"data used twice":      {with(length, uint32(len(good)-int(directory))/4), "curve 2"},
	} {
		var d Frame
		if err := d.Decode(c.b); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	var d Frame
	if err := d.Decode(good); err != nil {
		t.Error(err)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(new(Frame).Set(frametest.New(1), unixMs).Append(nil, nil))
	f.Add(new(Frame).Set(&analyze.Frame{}, 0).Append(nil, nil))
	f.Add([]byte("PLMB\x01\x01\xff\xff"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var d Frame
		if d.Decode(b) != nil {
			return
		}
		for _, e := range d.entries {
			if got := d.Curve(e.id, e.channel); got == nil && e.n > 0 {
				t.Error("a curve of the directory cannot be read")
			}
		}
		var again Frame
		if err := again.Decode(d.Append(nil, nil)); err != nil || len(again.entries) != len(d.entries) || again.Header != d.Header && d.AveragedS == d.AveragedS && d.UnixMs == d.UnixMs {
			t.Errorf("encoded again it is %+v, %v", again.Header, err)
		}
		data, err := NewObject(&d, Hello{Grid: []float64{}}, State{}, nil, 343).json()
		if err != nil || bytes.Contains(data, []byte("NaN")) {
			t.Errorf("no JSON: %v", err)
		}
	})
}

func BenchmarkFrame(b *testing.B) {
	for _, mics := range []int{1, 32} {
		b.Run(map[int]string{1: "1mic", 32: "32mics"}[mics], func(b *testing.B) {
			f := frametest.New(mics)
			var src Frame
			buf := src.Set(f, unixMs).Append(nil, nil)
			b.Run("Set", func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					src.Set(f, unixMs)
				}
			})
			b.Run("Append", func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(len(buf)))
				for b.Loop() {
					buf = src.Append(buf[:0], nil)
				}
			})
		})
	}
}

// A frame of nothing but its header is a frame.
func TestEmptyFrame(t *testing.T) {
	data := new(Frame).Append(nil, nil)
	var f Frame
	if err := f.Decode(data); err != nil || len(data) != headerSize || f.Reference() != 0 {
		t.Errorf("%d bytes: %v", len(data), err)
	}
	if err := f.Decode(data[:headerSize-1]); err == nil {
		t.Error("half a header was decoded")
	}
}
