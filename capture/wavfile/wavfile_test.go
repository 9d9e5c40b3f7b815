package wavfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"plumbline/capture/leak"
)

func TestMain(m *testing.M) { leak.Main(m) }

var encodings = []Encoding{Float32, PCM16, PCM24, PCM32, Float64}

// step is the coarsest step of an encoding: half of it is what rounding costs.
func step(e Encoding) float64 {
	return map[Encoding]float64{PCM16: 1.0 / scale16, PCM24: 1.0 / scale24, PCM32: 1.0 / scale24}[e]
}

func noise(n int, seed uint64) []float32 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(2*rng.Float64() - 1)
	}
	return x
}

func write(t testing.TB, path string, f Format, x []float32) {
	t.Helper()
	w, err := Create(path, f)
	if err != nil {
		t.Fatal(err)
	}
	for len(x) > 0 { // blocks of odd lengths
		n := min(len(x), 777*f.Channels)
		if err := w.Write(x[:n]); err != nil {
			t.Fatal(err)
		}
		x = x[n:]
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestWriteThenReadGivesTheSameSound(t *testing.T) {
	for _, e := range encodings {
		for _, channels := range []int{1, 2, 3, 33} {
			t.Run(fmt.Sprintf("%s %d channels", e, channels), func(t *testing.T) {
				format := Format{48000, channels, e}
				path := filepath.Join(t.TempDir(), "a.wav")
				const frames = 5001 // odd: the pad byte too
				x := noise(frames*channels, 1)
				write(t, path, format, x)
				f, err := Open(path)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				if f.Format() != format || f.Frames() != frames {
					t.Fatalf("got %v with %d frames", f.Format(), f.Frames())
				}
				inter := make([]float32, len(x))
				if n, err := f.ReadInterleaved(inter, 0); n != frames || err != nil {
					t.Fatal(n, err)
				}
				planar := make([][]float64, channels)
				for c := range planar {
					planar[c] = make([]float64, frames-100)
				}
				if n, err := f.ReadFrames(planar, 100); n != frames-100 || err != nil {
					t.Fatal(n, err)
				}
				for i, want := range x {
					if d := math.Abs(float64(inter[i] - want)); d > step(e)/2 {
						t.Fatalf("sample %d: %v became %v", i, want, inter[i])
					}
					if fr := i/channels - 100; fr >= 0 && math.Abs(planar[i%channels][fr]-float64(want)) > step(e)/2 {
						t.Fatalf("frame %d: %v became %v", fr, want, planar[i%channels][fr])
					}
				}
			})
		}
	}
}

func TestFullScaleIsOne(t *testing.T) {
	for _, e := range encodings {
		path := filepath.Join(t.TempDir(), "a.wav")
		write(t, path, Format{48000, 1, e}, []float32{1, -1, 0, 0.5, -0.5})
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, 5)
		f.ReadFrames([][]float64{x}, 0)
		f.Close()
		if math.Abs(x[0]-1) > step(e) || x[1] != -1 || x[2] != 0 || x[3] != 0.5 || x[4] != -0.5 {
			t.Errorf("%s: %v", e, x)
		}
	}
}

func TestWriterLimitsAndCounts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := Create(path, Format{48000, 1, PCM16})
	if err != nil {
		t.Fatal(err)
	}
	w.Write([]float32{1, 1.5, -1.5, float32(math.NaN()), 0.25, float32(math.Inf(1))})
	if w.Limited() != 4 {
		t.Errorf("%d samples limited, want 4", w.Limited())
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	x := make([]float64, 6)
	f.ReadFrames([][]float64{x}, 0)
	const top = 32767.0 / 32768
	for i, want := range []float64{top, top, -1, 0, 0.25, 0} {
		if x[i] != want {
			t.Errorf("sample %d is %v, want %v", i, x[i], want)
		}
	}
}

func TestReadsFromManyGoroutines(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	const frames, channels = 40000, 3
	x := make([]float32, frames*channels)
	for i := range x {
		x[i] = float32(i) / float32(len(x))
	}
	write(t, path, Format{48000, channels, Float32}, x)
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var all sync.WaitGroup
	for g := range 8 {
		all.Go(func() {
			rng := rand.New(rand.NewPCG(uint64(g), 3))
			third := make([]float64, 3000)
			for range 50 {
				at := rng.Int64N(frames)
				n, err := f.ReadFrames([][]float64{nil, nil, third}, at)
				if want := int(min(3000, frames-at)); n != want || (err == io.EOF) != (want < 3000) {
					t.Errorf("%d frames at %d: %v", n, at, err)
					return
				}
				for i, v := range third[:n] {
					if v != float64(x[(int(at)+i)*channels+2]) {
						t.Errorf("frame %d is %v", int(at)+i, v)
						return
					}
				}
			}
		})
	}
	all.Wait()
}

func TestReadBeyondTheEnd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	write(t, path, Format{48000, 1, PCM16}, make([]float32, 10))
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for at, want := range map[int64]int{0: 8, 2: 8, 5: 5, 10: 0, 1 << 40: 0} {
		n, err := f.ReadFrames([][]float64{make([]float64, 8)}, at)
		if n != want || (n < 8) != errors.Is(err, io.EOF) {
			t.Errorf("at %d: %d frames, %v; want %d", at, n, err, want)
		}
	}
	if _, err := f.ReadFrames(make([][]float64, 2), 0); err == nil {
		t.Error("a second channel of a mono file was read")
	}
}

func TestAbortLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.wav")
	write(t, path, Format{48000, 1, PCM16}, []float32{0.5})
	w, err := Create(path, Format{48000, 2, PCM24})
	if err != nil {
		t.Fatal(err)
	}
	w.Write(make([]float32, 100000))
	if err := w.Abort(); err != nil {
		t.Fatal(err)
	}
	if w.Abort() != nil || w.Close() != nil {
		t.Error("a second end is an error")
	}
	entries, _ := os.ReadDir(dir)
	if len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
	f, err := Open(path)
	if err != nil || f.Frames() != 1 {
		t.Fatalf("the older file is gone: %v", err)
	}
	f.Close()
}

func TestCreateRefuses(t *testing.T) {
	dir := t.TempDir()
	good := Format{48000, 2, Float32}
	for _, c := range []struct {
		path   string
		format Format
		want   string
	}{
		{dir, good, "choose another name"},
		{filepath.Join(dir, "no", "a.wav"), good, "there is no folder"},
		{"", good, "give the file a name"},
		{filepath.Join(dir, "a.wav"), Format{48000, 0, Float32}, "0 channels"},
		{filepath.Join(dir, "a.wav"), Format{10, 2, Float32}, "sample rate of 10 Hz"},
		{filepath.Join(dir, "a.wav"), Format{48000, 2, 99}, "encoding 99"},
	} {
		_, err := Create(c.path, c.format)
		oneLine(t, err, c.want)
	}
	path := filepath.Join(dir, "b.wav")
	write(t, path, good, make([]float32, 2))
	_, err := Record(path, good)
	oneLine(t, err, "exists")
	if entries, _ := os.ReadDir(dir); len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
}

// What a crash leaves of a recording: everything but the last seconds by its
// header, everything on disk by its length.
func TestRecordingIsReadableWhileItGrows(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := Record(path, Format{8000, 2, PCM24})
	if err != nil {
		t.Fatal(err)
	}
	for range 95 {
		if err := w.Write(noise(2*800, 1)); err != nil {
			t.Fatal(err)
		}
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if f.Frames() < 7*8000 || f.Frames() > 95*800 {
		t.Errorf("%d frames of 76000 can be read", f.Frames())
	}
	f.Close()
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if f, err = Open(path); err != nil || f.Frames() != 95*800 {
		t.Errorf("after the end: %v", err)
	}
	f.Close()
}

// Beyond 4 GiB, here made to begin at 10 kB, the file is an RF64 (EBU Tech
// 3306): both sizes of 32 bits are all ones, the true ones are in ds64.
func TestLargeFileBecomesRF64(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := Create(path, Format{48000, 2, Float32})
	if err != nil {
		t.Fatal(err)
	}
	w.limit = 10000
	x := noise(2*3000, 1)
	w.Write(x)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	data := strings.Index(string(b), "data")
	if string(b[:4]) != "RF64" || string(b[12:16]) != "ds64" || le.Uint32(b[4:]) != open32 || le.Uint32(b[data+4:]) != open32 ||
		le.Uint64(b[20:]) != uint64(len(b)-8) || le.Uint64(b[28:]) != 24000 || le.Uint64(b[36:]) != 3000 {
		t.Fatalf("header % x", b[:data+8])
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got := make([]float32, len(x))
	if n, err := f.ReadInterleaved(got, 0); n != 3000 || err != nil || got[5999] != x[5999] {
		t.Fatal(n, err)
	}
}

// oneLine checks that an error is one line and says what is expected.
func oneLine(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil {
		t.Errorf("no error, want %q", want)
	} else if s := err.Error(); !strings.Contains(s, want) || strings.Contains(s, "\n") {
		t.Errorf("got %q, want one line with %q", s, want)
	}
}

func BenchmarkReadFrames(b *testing.B) {
	for _, e := range encodings {
		b.Run(e.String(), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "a.wav")
			const frames = 1 << 18
			write(b, path, Format{48000, 2, e}, noise(2*frames, 1))
			f, err := Open(path)
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			dst := [][]float64{make([]float64, frames), make([]float64, frames)}
			n := 0
			for b.Loop() {
				if _, err := f.ReadFrames(dst, 0); err != nil {
					b.Fatal(err)
				}
				n++
			}
			b.ReportMetric(float64(n)*frames/48000/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

// A disk that fills up: what is on it can be read, by the header too.
func TestRecordingOnAFullDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := Record(path, Format{48000, 2, Float32})
	if err != nil {
		t.Fatal(err)
	}
	x := noise(2*60000, 1)
	w.Write(x)
	stored := w.stored
	if stored == 0 || stored == 60000 {
		t.Fatalf("%d frames are on the disk, want some", stored)
	}
	w.err = syscall.ENOSPC
	if err := w.Close(); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("%v", err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got := [][]float64{make([]float64, 60000), make([]float64, 60000)}
	if n, _ := f.ReadFrames(got, 0); int64(n) != stored || f.Frames() != stored || float32(got[1][n-1]) != x[2*n-1] {
		t.Errorf("%d frames by the header, %d read, want %d", f.Frames(), n, stored)
	}
}

// Full scale is one step more than the largest number, by design: only what is beyond
// it was limited.
func TestWhatIsLimitedIsCounted(t *testing.T) {
	for v, want := range map[float32]struct {
		n    int32
		over int
	}{
		1: {32767, 0}, 1.0001: {32767, 1}, 2: {32767, 1}, -1: {-32768, 0}, -1.0001: {-32768, 1}, 0.5: {16384, 0},
	} {
		if n, over := quantise(v, scale16); n != want.n || over != want.over {
			t.Errorf("%v: %d, %d over, want %+v", v, n, over, want)
		}
	}
}
