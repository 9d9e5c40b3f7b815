package wavfile

import (
	"testing"
)

// Files written by SciPy and by Python's wave module (testdata/scripts/wav.py).
func TestFilesOfOtherPrograms(t *testing.T) {
	for name, want := range map[string]Format{
		"int16":   {44100, 3, PCM16},
		"int24":   {48000, 3, PCM24},
		"int32":   {48000, 3, PCM32},
		"float32": {96000, 3, Float32},
		"float64": {192000, 3, Float64},
	} {
		f, err := Open("../../testdata/wav/" + name + ".wav")
		if err != nil {
			t.Fatal(err)
		}
		if f.Format() != want || f.Frames() != 101 {
			t.Errorf("%s: %v with %d frames", name, f.Format(), f.Frames())
		}
		x := [][]float64{make([]float64, 101), make([]float64, 101), make([]float64, 101)}
		if _, err := f.ReadFrames(x, 0); err != nil {
			t.Fatal(err)
		}
		f.Close()
		for c := range x {
			for i, got := range x[c] {
				// the top 16 bits are all there is, exact in every encoding
				if want := float64((i*7919+c*104729)%65536-32768) / 32768; got != want {
					t.Fatalf("%s: sample %d of channel %d is %v, want %v", name, i, c+1, got, want)
				}
			}
		}
	}
}
