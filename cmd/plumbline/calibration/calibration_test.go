package calibration

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func entry(device string, channel int, offset float64) Entry {
	return Entry{Device: device, Channel: channel, OffsetDB: offset, LevelDB: 94, At: time.Date(2030, 5, 4, 18, 0, 0, 0, time.UTC), By: "c1"}
}

func inForce(t *testing.T, s *Store, device string, channel int) (offset float64, earlier int) {
	t.Helper()
	entries, before, err := s.Of(device)
	if err != nil {
		t.Fatal(err)
	}
	return entries[channel].OffsetDB, before[channel]
}

func TestTheNewestOfADeviceAndChannelIsInForce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "plumbline", "calibration.json")
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range []Entry{entry("interface", 2, 120), entry("interface", 3, 118), entry("interface", 2, 121.5), entry("other", 2, 90)} {
		if err := s.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	again, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if offset, earlier := inForce(t, again, "interface", 2); offset != 121.5 || earlier != 1 {
		t.Errorf("%g dB, %d before it", offset, earlier)
	}
	entries, _, _ := again.Of("interface")
	if e := entries[2]; e.LevelDB != 94 || !e.At.Equal(time.Date(2030, 5, 4, 18, 0, 0, 0, time.UTC)) || e.By != "c1" {
		t.Errorf("%+v", e)
	}
	if ok, err := again.Undo("interface", 2); !ok || err != nil {
		t.Fatal(ok, err)
	}
	if offset, earlier := inForce(t, again, "interface", 2); offset != 120 || earlier != 0 {
		t.Errorf("after undo: %g dB, %d before it", offset, earlier)
	}
	if ok, err := again.Undo("interface", 2); !ok || err != nil {
		t.Fatal(ok, err)
	}
	if ok, err := again.Undo("interface", 2); ok || err != nil {
		t.Errorf("undo of nothing: %v, %v", ok, err)
	}
	if offset, _ := inForce(t, s, "interface", 3); offset != 118 {
		t.Errorf("channel 3: %g dB", offset)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(left) != 1 {
		t.Errorf("%d files in the directory, %v", len(left), err)
	}
}

func TestWhatIsGivenLastsForThisRun(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calibration.json")
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Add(entry("interface", 2, 120)); err != nil {
		t.Fatal(err)
	}
	s.Give(entry("interface", 2, 130))
	if offset, _ := inForce(t, s, "interface", 2); offset != 130 {
		t.Errorf("%g dB", offset)
	}
	again, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if offset, _ := inForce(t, again, "interface", 2); offset != 120 {
		t.Errorf("the next run: %g dB", offset)
	}
	if err := s.Add(entry("interface", 2, 125)); err != nil { // measured later
		t.Fatal(err)
	}
	if offset, _ := inForce(t, s, "interface", 2); offset != 125 {
		t.Errorf("%g dB", offset)
	}
}

func TestADamagedFileIsNotReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "calibration.json")
	for _, text := range []string{"{", `{"calibrations":[{"channel":0,"offset_db":100}]}`} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := Open(path)
		if err == nil || !strings.Contains(err.Error(), "calibrate again") {
			t.Errorf("%s: %v", text, err)
		}
		if err := s.Add(entry("interface", 2, 120)); err == nil {
			t.Error("added to a damaged file")
		}
		if data, _ := os.ReadFile(path); string(data) != text {
			t.Errorf("the file was changed to %s", data)
		}
	}
}

func TestOnlySoManyAreKept(t *testing.T) {
	s, err := Open(filepath.Join(t.TempDir(), "calibration.json"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range keep + 5 {
		if err := s.Add(entry("interface", 2, 100+float64(i))); err != nil {
			t.Fatal(err)
		}
	}
	if offset, earlier := inForce(t, s, "interface", 2); offset != 100+keep+4 || earlier != keep-1 {
		t.Errorf("%g dB, %d before it", offset, earlier)
	}
}
