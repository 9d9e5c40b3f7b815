package main

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/capture/leak"
	"plumbline/capture/wavfile"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// atExit is what tests leave for the end, such as a browser that many share.
var atExit []func()

func TestMain(m *testing.M) {
	if os.Getenv("PLUMBLINE_TEST_AS_PROGRAM") != "" {
		main() // a test has started this binary to send it signals
		return
	}
	patient = true
	reaching = func(net.Addr) func() ([]net.Interface, error) { // no test is to be found by anybody else
		return func() ([]net.Interface, error) {
			all, err := net.Interfaces()
			return slices.DeleteFunc(all, func(i net.Interface) bool { return i.Flags&net.FlagLoopback == 0 }), err
		}
	}
	// Shows that no test gives a place, and calibrations, must not land among the user's.
	data, err := os.MkdirTemp("", "plumbline-test-")
	if err != nil {
		panic(err)
	}
	os.Setenv("XDG_DATA_HOME", data)
	os.Setenv("XDG_CONFIG_HOME", data)
	atExit = append(atExit, func() { os.RemoveAll(data) })
	leak.Main(m, func() {
		for _, end := range atExit {
			end()
		}
	})
}

// outcome is what a run of the program left.
type outcome struct {
	code           int
	stdout, stderr string
}

// plumbline runs the program with these arguments until it ends, and ends it
// when it should have.
func plumbline(t *testing.T, args ...string) outcome {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), hang)
	defer cancel()
	var stdout, stderr bytes.Buffer
	code := run(ctx, args, &stdout, &stderr)
	return outcome{code, stdout.String(), stderr.String()}
}

// must runs the program and wants it to do its work without a word.
func must(t *testing.T, args ...string) string {
	t.Helper()
	o := plumbline(t, args...)
	if o.code != exitDone || o.stderr != "" {
		t.Fatalf("plumbline %s: exit status %d, stderr %q", strings.Join(args, " "), o.code, o.stderr)
	}
	return o.stdout
}

// service is a daemon that a test runs.
type service struct {
	url  string
	stop func() outcome // ends it as a signal would, and waits
	said func() string  // on its standard output so far
}

// start runs the program until it says where it listens.
func start(t *testing.T, args ...string) service {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r, w := io.Pipe()
	var stdout, stderr lockedBuffer
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, args, w, &stderr)
		w.Close()
	}()
	lines := bufio.NewScanner(io.TeeReader(r, &stdout))
	if !lines.Scan() {
		cancel()
		t.Fatalf("plumbline %s: exit status %d, stderr %q", strings.Join(args, " "), <-code, stderr.String())
	}
	first := lines.Text()
	drained := make(chan struct{})
	go func() { defer close(drained); io.Copy(&stdout, r) }()
	stop := sync.OnceValue(func() outcome {
		cancel()
		c := <-code
		<-drained
		return outcome{c, stdout.String(), stderr.String()}
	})
	t.Cleanup(func() { stop() })
	address, ok := strings.CutPrefix(first, "listening on ")
	if !ok {
		t.Fatalf("first line is %q", first)
	}
	return service{address, stop, stdout.String}
}

// lockedBuffer is a buffer that a logger writes while a test reads.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// hang is when a test that waits for something gives up: a guard, and no limit of how long
// things take, which other work on the machine decides.
const hang = 4 * time.Minute

// eventually waits until a condition holds.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(hang); !ok(); <-tick.C {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", hang, what)
		}
	}
}

// goldenFolder is absolute, since tests change the folder they work in.
var goldenFolder, _ = filepath.Abs(filepath.Join("testdata", "golden"))

// golden compares with a file that says what was there before.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join(goldenFolder, name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s has changed; if it should, run go test -update and read the diff\ngot:\n%s", path, got)
	}
}

// record writes a WAV file of one slice a channel and returns its path.
func record(t *testing.T, name string, rateHz int, channels ...[]float32) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	recordTo(t, path, rateHz, channels...)
	return path
}

func recordTo(t *testing.T, path string, rateHz int, channels ...[]float32) {
	t.Helper()
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: rateHz, Channels: len(channels), Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	interleaved := make([]float32, 0, len(channels[0])*len(channels))
	for i := range channels[0] {
		for _, c := range channels {
			interleaved = append(interleaved, c[i])
		}
	}
	if err := w.Write(interleaved); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// noise is seeded Gaussian noise of the given RMS.
func noise(seed uint64, samples int, rms float64) []float32 {
	r := rand.New(rand.NewPCG(seed, 0))
	x := make([]float32, samples)
	for i := range x {
		x[i] = float32(r.NormFloat64() * rms)
	}
	return x
}

// late is x, so many samples later, times gain, with noise added.
func late(x []float32, samples int, gain float32, added []float32) []float32 {
	y := make([]float32, len(x))
	for i := range y {
		if i >= samples {
			y[i] = gain * x[i-samples]
		}
		if added != nil {
			y[i] += added[i]
		}
	}
	return y
}

// atLength leaves out what is not worth its time on every change, a tour of the pages or
// one more of the same kind, unless make live asks for it.
func atLength(t *testing.T) {
	t.Helper()
	if !*update && os.Getenv("PLUMBLINE_LIVE") == "" {
		t.Skip("a tour of the pages: make live takes it")
	}
}
