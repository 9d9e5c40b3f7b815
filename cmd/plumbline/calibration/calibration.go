// Package calibration keeps what acoustic calibrators have said, by device and
// channel, in the user's configuration directory. The newest entry of a channel
// is in force; the ones before it can be brought back.
package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"plumbline/stream/wire"
)

// Entry is how loud full scale is at one input.
type Entry struct {
	Device      string     `json:"device"`
	Channel     int        `json:"channel"`      // from 1
	OffsetDB    float64    `json:"offset_db"`    // level re 20 µPa of a full-scale sine wave
	LevelDB     wire.Value `json:"level_db"`     // of the calibrator; null: the offset was given
	ToneDBFS    wire.Value `json:"tone_dbfs"`    // as it was measured
	FrequencyHz wire.Value `json:"frequency_hz"` // likewise
	ScatterDB   wire.Value `json:"scatter_db"`   // likewise
	At          time.Time  `json:"at"`
	By          string     `json:"by"`
}

// keep bounds the entries of a channel.
const keep = 20

// Store keeps entries in a file. Its methods may be called from several
// goroutines.
type Store struct {
	path string // empty: nothing is kept

	mu    sync.Mutex
	given []Entry // for this run only, in front of all others
}

// Path is where calibrations are kept when nothing else is said.
func Path() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find where calibrations are kept: %w", err)
	}
	return filepath.Join(dir, "plumbline", "calibration.json"), nil
}

// Open uses a file, which need not be there yet; an empty path keeps nothing
// beyond this run.
func Open(path string) (*Store, error) {
	s := &Store{path: path}
	_, err := s.read()
	return s, err
}

// Path is the file; empty: none.
func (s *Store) Path() string { return s.path }

// file is what is in it: the oldest entry first.
type file struct {
	Calibrations []Entry `json:"calibrations"`
}

func (s *Store) read() ([]Entry, error) {
	if s.path == "" {
		return nil, nil
	}
	data, err := os.ReadFile(s.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read calibrations: %w", err)
	}
	var f file
	if err := json.Unmarshal(data, &f); err != nil {
		return nil, fmt.Errorf("%s is damaged: repair or remove it, and calibrate again (%v)", s.path, err)
	}
	for _, e := range f.Calibrations {
		if e.Channel < 1 || !(math.Abs(e.OffsetDB) <= 250) {
			return nil, fmt.Errorf("%s holds an impossible calibration of channel %d: repair or remove it, and calibrate again", s.path, e.Channel)
		}
	}
	return f.Calibrations, nil
}

// write replaces the file whole or not at all.
func (s *Store) write(entries []Entry) error {
	data, err := json.MarshalIndent(file{entries}, "", "\t")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(s.path), 0o755); err != nil {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(s.path), ".calibration-*")
	if err != nil {
		return err
	}
	defer os.Remove(draft.Name())
	_, err = draft.Write(append(data, '\n'))
	if err == nil {
		err = draft.Sync()
	}
	if err = errors.Join(err, draft.Close()); err != nil {
		return err
	}
	return os.Rename(draft.Name(), s.path)
}

// Give puts an entry in force for this run, without keeping it.
func (s *Store) Give(e Entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.given = append(s.given, e)
}

// Add puts an entry in force and keeps it.
func (s *Store) Add(e Entry) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.path == "" {
		s.given = append(s.given, e)
		return nil
	}
	entries, err := s.read() // another process may have added some
	if err != nil {
		return err
	}
	entries = append(entries, e)
	mine := func(x Entry) bool { return x.Device == e.Device && x.Channel == e.Channel }
	for n := count(entries, mine); n > keep; n-- {
		i := slices.IndexFunc(entries, mine)
		entries = slices.Delete(entries, i, i+1)
	}
	if err := s.write(entries); err != nil {
		return fmt.Errorf("keep the calibration: %w", err)
	}
	s.given = slices.DeleteFunc(s.given, mine) // it is newer than what was given
	return nil
}

// Adopt has a device keep, under its key, what was kept under an older one.
func (s *Store) Adopt(older, key string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	entries, err := s.read()
	if err != nil || older == key {
		return err
	}
	adopted := false
	for i := range entries {
		if entries[i].Device == older {
			entries[i].Device, adopted = key, true
		}
	}
	if !adopted {
		return nil
	}
	return s.write(entries)
}

func count(entries []Entry, is func(Entry) bool) (n int) {
	for _, e := range entries {
		if is(e) {
			n++
		}
	}
	return n
}

// Undo takes back the newest entry of a channel; false: there is none.
func (s *Store) Undo(device string, channel int) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := newest(s.given, device, channel); i >= 0 {
		s.given = slices.Delete(s.given, i, i+1)
		return true, nil
	}
	entries, err := s.read()
	if err != nil {
		return false, err
	}
	i := newest(entries, device, channel)
	if i < 0 {
		return false, nil
	}
	if err := s.write(slices.Delete(entries, i, i+1)); err != nil {
		return false, fmt.Errorf("take back the calibration: %w", err)
	}
	return true, nil
}

func newest(entries []Entry, device string, channel int) int {
	for i := len(entries) - 1; i >= 0; i-- {
		if entries[i].Device == device && entries[i].Channel == channel {
			return i
		}
	}
	return -1
}

// Of are the entries in force of a device, by channel, and how many others lie
// behind each.
func (s *Store) Of(device string) (inForce map[int]Entry, earlier map[int]int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	entries, err := s.read()
	inForce, earlier = map[int]Entry{}, map[int]int{}
	for _, e := range append(slices.Clone(entries), s.given...) {
		if e.Device == device {
			if _, ok := inForce[e.Channel]; ok {
				earlier[e.Channel]++
			}
			inForce[e.Channel] = e
		}
	}
	return inForce, earlier, err
}
