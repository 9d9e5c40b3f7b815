package main

import (
	"math"
	"os"
	"strings"
	"testing"

	"plumbline/capture/signal"
	"plumbline/capture/wavfile"
)

// Each kind becomes a file of the level asked for, silent at both ends, with the
// caution on standard error; what is printed is what is in the file.
func TestSignalFiles(t *testing.T) {
	inFolder(t, nil)
	for _, kind := range signal.Kinds {
		o := plumbline(t, "signal", string(kind), "out.wav", "--level", "-26", "--seconds", "2")
		if o.code != exitDone || !oneLineWith(o.stderr, "Protect your hearing") || !strings.Contains(o.stdout, "crest factor") {
			t.Fatalf("%s: exit status %d, stdout %q, stderr %q", kind, o.code, o.stdout, o.stderr)
		}
		file, err := wavfile.Open("out.wav")
		if err != nil {
			t.Fatal(err)
		}
		length := map[bool]int64{true: 5 * 48000, false: 2 * 48000}[kind == signal.Sweep] // with its pause
		if file.Frames() != length {
			t.Errorf("%s has %d frames, want %d", kind, file.Frames(), length)
		}
		x := make([]float64, length)
		if _, err := file.ReadFrames([][]float64{x}, 0); err != nil {
			t.Fatal(err)
		}
		file.Close()
		if math.Abs(x[0]) > 1e-6 || math.Abs(x[len(x)-1]) > 1e-4 {
			t.Errorf("%s begins with %g and ends with %g", kind, x[0], x[len(x)-1])
		}
		sum, within := 0.0, 0.5 // a second of noise
		for _, v := range x[24000:72000] {
			sum += v * v
		}
		switch kind {
		case signal.Pulse:
			continue
		case signal.Pink:
			within = 1.5
		case signal.Sine, signal.Sweep:
			within = 0.01
		}
		if got := 10 * math.Log10(2*sum/48000); math.Abs(got+26) > within {
			t.Errorf("%s is at %.2f dBFS, want −26", kind, got)
		}
	}
	if o := plumbline(t, "signal", "sweep", "out.wav", "--band", "50:8000", "--seconds", "3", "--repeats", "2", "--pause", "1"); !strings.Contains(o.stdout, "8 s at 48000 Hz, 50 Hz to 8000 Hz") ||
		!strings.Contains(o.stdout, "plumbline room TAKE.wav --sweep 50:8000:3") {
		t.Errorf("the sweep says %q", o.stdout)
	}
}

func TestSignalsThatCannotBe(t *testing.T) {
	inFolder(t, nil)
	refused(t, plumbline(t, "signal", "white", "loud.wav", "--level", "-5"), "would clip", "lower --level")
	if _, err := os.Stat("loud.wav"); err == nil {
		t.Error("what would clip is there")
	}
}
