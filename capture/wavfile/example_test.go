package wavfile_test

import (
	"fmt"
	"os"
	"path/filepath"

	"plumbline/capture/wavfile"
)

func Example() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "take.wav")

	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: 48000, Channels: 2, Encoding: wavfile.PCM24})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer w.Abort() // does nothing after Close
	w.Write([]float32{0.5, -0.5, 0.25, -0.25})
	if err := w.Close(); err != nil {
		fmt.Println(err)
		return
	}

	f, err := wavfile.Open(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	second := make([]float64, 2)
	n, err := f.ReadFrames([][]float64{nil, second}, 0)
	fmt.Println(f.Format().Encoding, f.Frames(), n, second, err)
	// Output: 24-bit 2 2 [-0.5 -0.25] <nil>
}
