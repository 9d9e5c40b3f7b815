package show

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"plumbline/analyze/response"
)

// A file with any byte changed opens or is refused; what is read of it is what
// was stored, or an error.
func FuzzOpen(f *testing.F) {
	path := filepath.Join(f.TempDir(), "whole.plumbline")
	s, err := New(path, "x")
	if err != nil {
		f.Fatal(err)
	}
	stored, err := s.AddTake(Take{Origin: Measured}, spectraOf(1), audioOf(1, 100), "")
	if err != nil {
		f.Fatal(err)
	}
	if err := s.Close(); err != nil {
		f.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint32(20), byte(0xff))
	f.Add(uint32(60), byte(0xb2)) // a version below 0
	f.Add(uint32(63), byte(0x01))
	f.Add(uint32(30000), byte(0x10))
	f.Add(uint32(len(whole)-1000), byte(0x80))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, at uint32, flip byte) {
		b := bytes.Clone(whole)
		b[int(at)%len(b)] ^= flip
		path := filepath.Join(dir, "changed.plumbline")
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		defer os.Remove(path + "-wal")
		x, err := Open(path)
		if err != nil {
			return
		}
		defer x.Close()
		var spectra response.Spectra
		if x.Spectra(stored.ID, &spectra) == nil {
			for i, g := range spectraOf(1).Gxy {
				if spectra.Gxy[i] != g {
					t.Fatal("damaged spectra were read as good ones")
				}
			}
		}
	})
}
