package main

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/capture/wavfile"
	"plumbline/stream/wire"
)

// planes are all samples of a WAV file, by channel.
func planes(t *testing.T, path string) [][]float64 {
	t.Helper()
	f, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := make([][]float64, f.Format().Channels)
	for c := range out {
		out[c] = make([]float64, f.Frames())
	}
	if n, err := f.ReadFrames(out, 0); err != nil || int64(n) != f.Frames() {
		t.Fatal(n, err)
	}
	return out
}

// What is recorded is what was captured, to the last bit and from the first sample.
func TestServeRecords(t *testing.T) {
	x := noise(1, 48000, 0.1)
	heard, path := record(t, "heard.wav", 48000, x, x), filepath.Join(t.TempDir(), "hall.wav")
	s := start(t, "serve", "--file", heard, "--listen", "127.0.0.1:0", "--record", path)
	var state wire.State
	eventually(t, "the end of the file", func() bool {
		s.get(t, "/api/v1/state", http.StatusOK, &state)
		return state.Source.State == "ended"
	})
	if r := state.Recording; r == nil || r.File != "hall.wav" || r.State != wire.RecordingRuns || r.Text != "" || r.LostS != 0 {
		t.Errorf("the state says %+v", r)
	}
	end := s.stop()
	if end.code != exitDone || !strings.Contains(end.stderr, "msg=recorded") {
		t.Errorf("%+v", end)
	}
	if got, want := planes(t, path), planes(t, heard); !slices.EqualFunc(got, want, slices.Equal[[]float64]) {
		t.Errorf("%d frames were recorded, want %d, the same", len(got[0]), len(want[0]))
	}
	if again := plumbline(t, "serve", "--file", heard, "--listen", "127.0.0.1:0", "--record", path); again.code != exitBadInput || !strings.Contains(again.stderr, "it exists, choose another name") {
		t.Errorf("over a recording: %+v", again)
	}
	nowhere := filepath.Join(t.TempDir(), "none", "a.wav")
	if again := plumbline(t, "demo", "--empty", "--listen", "127.0.0.1:0", "--record", nowhere); again.code != exitBadInput || strings.Count(again.stderr, "\n") != 1 || again.stdout != "" {
		t.Errorf("into no folder: %+v", again)
	}
}

// A recording whose program was killed can be read up to there.
func TestAKilledRecordingCanBeRead(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	x := noise(1, 10*48000, 0.1)
	heard, path := record(t, "heard.wav", 48000, x, x), filepath.Join(t.TempDir(), "hall.wav")
	cmd := exec.CommandContext(t.Context(), exe, "serve", "--file", heard, "--listen", "127.0.0.1:0", "--record", path)
	cmd.Env = append(os.Environ(), "PLUMBLINE_TEST_AS_PROGRAM=1")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "something to be on the disk", func() bool {
		f, err := wavfile.Open(path)
		if err == nil {
			f.Close()
		}
		return err == nil
	})
	cmd.Process.Kill()
	cmd.Wait()
	got, want := planes(t, path), planes(t, heard)
	n := len(got[0])
	if n == 0 || n >= len(want[0]) || !slices.Equal(got[1], want[1][:n]) {
		t.Errorf("%d of %d frames were recorded, and must be the first ones", n, len(want[0]))
	}
}
