package wavfile

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// chunk writes id, size and body, padded to an even length.
func chunk(id string, body []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(id), uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func fmtChunk(tag, channels int, rate uint32, align, bits int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, uint16(tag))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, rate)
	b = le.AppendUint32(b, rate*uint32(align))
	b = le.AppendUint16(b, uint16(align))
	return chunk("fmt ", le.AppendUint16(b, uint16(bits)))
}

func riff(chunks ...[]byte) []byte {
	body := append([]byte("WAVE"), bytes.Join(chunks, nil)...)
	return chunk("RIFF", body)
}

func put(b []byte, at int, v uint32) []byte {
	b = bytes.Clone(b)
	binary.LittleEndian.PutUint32(b[at:], v)
	return b
}

func save(t testing.TB, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.wav")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestMalformedFilesEndInOneClearLine(t *testing.T) {
	pcm16 := fmtChunk(tagPCM, 1, 48000, 2, 16)
	data := chunk("data", make([]byte, 8))
	extensible := func(change func(b []byte)) []byte {
		b := make([]byte, 40)
		copy(b, fmtChunk(tagExtensible, 1, 48000, 2, 16)[8:])
		binary.LittleEndian.PutUint16(b[24:], tagPCM)
		copy(b[26:], guidTail)
		change(b)
		return chunk("fmt ", b)
	}
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"empty":                 {nil, "0 bytes are too short"},
		"a few bytes":           {[]byte("RIFF"), "4 bytes are too short"},
		"not a WAV":             {bytes.Repeat([]byte("hello "), 20), "is not a WAV file"},
		"another RIFF":          {append([]byte("RIFF\x04\x00\x00\x00AVI "), make([]byte, 40)...), "is not a WAV file"},
		"big-endian":            {append([]byte("RIFX\x04\x00\x00\x00WAVE"), make([]byte, 40)...), "big-endian"},
		"only the form":         {riff(), "ends before its format chunk"},
		"cut inside fmt":        {riff(pcm16)[:30], "ends inside its format chunk"},
		"no data":               {riff(pcm16), "has no data chunk"},
		"cut before data's end": {riff(pcm16, chunk("LIST", make([]byte, 10)))[:50], "has no data chunk"},
		"data before fmt":       {riff(data, pcm16), "sound before its format"},
		"empty data":            {riff(pcm16, chunk("data", nil)), "holds no sound"},
		"less than a frame":     {riff(fmtChunk(tagPCM, 8, 48000, 16, 16), data), "holds no sound"},
		"empty data, then list": {riff(pcm16, chunk("data", nil), chunk("LIST", make([]byte, 10))), "holds no sound"},
		"short fmt":             {riff(chunk("fmt ", make([]byte, 10)), data), "format chunk of 10 bytes"},
		"no channels":           {riff(fmtChunk(tagPCM, 0, 48000, 0, 16), data), "no channels"},
		"rate 0":                {riff(fmtChunk(tagPCM, 1, 0, 2, 16), data), "sample rate is 0 Hz"},
		"rate absurd":           {riff(fmtChunk(tagPCM, 1, 4e9, 2, 16), data), "sample rate is 4000000000 Hz"},
		"8 bit":                 {riff(fmtChunk(tagPCM, 1, 48000, 1, 8), data), "8-bit samples"},
		"64-bit integer":        {riff(fmtChunk(tagPCM, 1, 48000, 8, 64), data), "64-bit samples"},
		"16-bit float":          {riff(fmtChunk(tagFloat, 1, 48000, 2, 16), data), "16-bit samples"},
		"A-law":                 {riff(fmtChunk(6, 1, 48000, 1, 8), data), "compressed (A-law)"},
		"MPEG":                  {riff(fmtChunk(0x55, 2, 48000, 1, 0), data), "compressed (MPEG audio)"},
		"unknown coding":        {riff(fmtChunk(0x4321, 2, 48000, 1, 0), data), "compressed (coding 0x4321)"},
		"wrong frame size":      {riff(fmtChunk(tagPCM, 2, 48000, 2, 16), data), "contradicts itself"},
		"extensible too short":  {riff(fmtChunk(tagExtensible, 1, 48000, 2, 16), data), "16 bytes where 40"},
		"extensible unknown":    {riff(extensible(func(b []byte) { b[39] = 1 }), data), "does not know"},
		"extensible A-law":      {riff(extensible(func(b []byte) { b[24] = 6 }), data), "A-law"},
		"short ds64":            {append([]byte("RF64\xff\xff\xff\xffWAVE"), riff(chunk("ds64", make([]byte, 8)), pcm16, data)[12:]...), "ds64"},
	} {
		t.Run(name, func(t *testing.T) {
			path := save(t, c.file)
			f, err := Open(path)
			if err == nil {
				f.Close()
			}
			oneLine(t, err, c.want)
			oneLine(t, err, path+" ")
		})
	}
	_, err := Open(filepath.Join(t.TempDir(), "none.wav"))
	oneLine(t, err, "is not there")
	_, err = Open(t.TempDir())
	oneLine(t, err, "is a folder")
	_, err = Open(os.DevNull)
	oneLine(t, err, "not a file on disk")
}

func TestUnusualFilesAreRead(t *testing.T) {
	pcm16 := fmtChunk(tagPCM, 1, 48000, 2, 16)
	sound := []byte{0, 0x40, 0, 0xC0, 0, 0x20, 0, 0xE0, 0, 0} // ½ −½ ¼ −¼ 0
	plain := riff(pcm16, chunk("data", sound))
	extensible := make([]byte, 40)
	copy(extensible, fmtChunk(tagExtensible, 1, 48000, 2, 16)[8:])
	binary.LittleEndian.PutUint16(extensible[24:], tagPCM)
	copy(extensible[26:], guidTail)
	ds64 := make([]byte, 28)
	binary.LittleEndian.PutUint64(ds64[8:], uint64(len(sound)))
	rf64 := riff(chunk("ds64", ds64), pcm16, chunk("data", sound), chunk("LIST", make([]byte, 20)))
	copy(rf64, "RF64")
	rf64 = put(rf64, 4, open32)
	rf64 = put(rf64, bytes.Index(rf64, []byte("data"))+4, open32)
	for name, b := range map[string][]byte{
		"plain":                     plain,
		"extensible":                riff(chunk("fmt ", extensible), chunk("data", sound)),
		"odd chunk in front":        riff(chunk("LIST", []byte{1, 2, 3}), pcm16, chunk("junk", []byte{1}), chunk("data", sound)),
		"chunk behind":              riff(pcm16, chunk("data", sound), chunk("LIST", make([]byte, 20))),
		"sizes never filled in":     put(put(plain, 4, 0), 40, 0),
		"sizes of a pipe":           put(put(plain, 4, open32), 40, open32),
		"data size larger than all": put(plain, 40, 1<<30),
		"no frame size":             riff(fmtChunk(tagPCM, 1, 48000, 0, 16), chunk("data", sound)),
		"RF64":                      rf64,
		"half a frame at the end":   put(append(bytes.Clone(plain), 7), 40, uint32(len(sound)+1)),
	} {
		t.Run(name, func(t *testing.T) {
			f, err := Open(save(t, b))
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			x := make([]float64, 5)
			if n, err := f.ReadFrames([][]float64{x}, 0); f.Frames() != 5 || n != 5 || err != nil {
				t.Fatalf("%d frames, read %d: %v", f.Frames(), n, err)
			}
			for i, want := range []float64{0.5, -0.5, 0.25, -0.25, 0} {
				if x[i] != want {
					t.Errorf("sample %d is %v, want %v", i, x[i], want)
				}
			}
		})
	}
}

func TestWhatWasCutOffIsCounted(t *testing.T) {
	plain := riff(fmtChunk(tagPCM, 1, 48000, 2, 16), chunk("data", make([]byte, 20)))
	for name, c := range map[string]struct {
		b    []byte
		lost int64
	}{
		"whole":                 {plain, 0},
		"cut":                   {plain[:len(plain)-6], 3},
		"sizes never filled in": {put(put(plain, 4, 0), 40, 0), 0},
		"sizes of a pipe":       {put(put(plain, 4, open32), 40, open32), 0},
	} {
		f, err := Open(save(t, c.b))
		if err != nil {
			t.Fatal(err)
		}
		if f.Lost() != c.lost {
			t.Errorf("%s: %d frames lost, want %d", name, f.Lost(), c.lost)
		}
		f.Close()
	}
}

// The format knows one data chunk. What recorders wrote into more is counted.
func TestFurtherDataChunksAreCounted(t *testing.T) {
	format, sound, list := fmtChunk(tagPCM, 1, 48000, 2, 16), chunk("data", make([]byte, 20)), chunk("LIST", []byte{1, 2, 3})
	for name, c := range map[string]struct {
		b    []byte
		more int64
	}{
		"one":            {riff(format, sound), 0},
		"one and a list": {riff(format, sound, list), 0},
		"two":            {riff(format, sound, sound), 10},
		"three":          {riff(format, sound, list, sound, chunk("data", make([]byte, 6))), 13},
		"a cut second":   {riff(format, sound, sound)[:len(riff(format, sound, sound))-8], 6},
	} {
		f, err := Open(save(t, c.b))
		if err != nil {
			t.Fatal(err)
		}
		if f.Frames() != 10 || f.More() != c.more || f.Lost() != 0 {
			t.Errorf("%s: %d frames and %d more, want 10 and %d", name, f.Frames(), f.More(), c.more)
		}
		f.Close()
	}
}

func TestNotANumberIsNamed(t *testing.T) {
	b := make([]byte, 4*6)
	binary.LittleEndian.PutUint32(b[4*5:], math.Float32bits(float32(math.NaN())))
	f, err := Open(save(t, riff(fmtChunk(tagFloat, 2, 48000, 8, 32), chunk("data", b))))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	_, err = f.ReadFrames([][]float64{nil, make([]float64, 3)}, 0)
	oneLine(t, err, "frame 2 of channel 2")
	_, err = f.ReadInterleaved(make([]float32, 6), 0)
	oneLine(t, err, "frame 2 of channel 2")
	if n, err := f.ReadFrames([][]float64{make([]float64, 3), nil}, 0); n != 3 || err != nil {
		t.Errorf("the sound channel: %v", err)
	}
}

func TestFileThatShrinksIsNamed(t *testing.T) {
	path := save(t, riff(fmtChunk(tagPCM, 1, 48000, 2, 16), chunk("data", make([]byte, 1000))))
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := os.Truncate(path, 100); err != nil {
		t.Fatal(err)
	}
	_, err = f.ReadInterleaved(make([]float32, 500), 0)
	oneLine(t, err, "became shorter")
}

// Whatever the bytes are: an error of one line, or a file that can be read to
// its end and written again with the same sound.
func FuzzOpen(f *testing.F) {
	f.Add(riff(fmtChunk(tagPCM, 1, 48000, 2, 16), chunk("data", []byte{1, 2, 3, 4})))
	f.Add(riff(fmtChunk(tagFloat, 2, 44100, 8, 32), chunk("LIST", []byte{1}), chunk("data", make([]byte, 64))))
	f.Add(riff(fmtChunk(tagPCM, 3, 96000, 9, 24), chunk("data", make([]byte, 27))))
	rf := riff(chunk("ds64", make([]byte, 28)), fmtChunk(tagPCM, 1, 48000, 4, 32), chunk("data", make([]byte, 8)))
	copy(rf, "RF64")
	f.Add(rf)
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := parse(bytes.NewReader(b), int64(len(b))); err != nil { // most end here, without the disk
			oneLine(t, err, " ")
			return
		}
		file, err := Open(save(t, b))
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		if file.Frames() < 1 || file.Frames()*int64(file.Format().frameBytes()) > int64(len(b)) {
			t.Fatalf("%d frames in %d bytes", file.Frames(), len(b))
		}
		x := make([]float32, file.Frames()*int64(file.Format().Channels))
		n, err := file.ReadInterleaved(x, 0)
		if err != nil {
			oneLine(t, err, "not a finite number")
			return
		}
		if int64(n) != file.Frames() {
			t.Fatalf("read %d of %d frames", n, file.Frames())
		}
		format := file.Format()
		path := filepath.Join(t.TempDir(), "b.wav")
		format.Encoding = Float32
		w, err := Create(path, format)
		if err != nil {
			oneLine(t, err, "cannot write") // so many channels cannot be written
			return
		}
		w.Write(x)
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		again, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer again.Close()
		y := make([]float32, len(x))
		if _, err := again.ReadInterleaved(y, 0); err != nil || again.Frames() != file.Frames() {
			t.Fatal(again.Frames(), err)
		}
		for i := range x {
			if x[i] != y[i] {
				t.Fatalf("sample %d: %v became %v", i, x[i], y[i])
			}
		}
	})
}
