// Package calibration keeps what acoustic calibrators have said, by device and
// channel, in the user's configuration directory. The newest entry of a channel
// is in force; the ones before it can be brought back.
package calibration

import (
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"plumbline/stream/jsonfile"
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
func Path() (string, error) { return jsonfile.Path("calibration.json") }

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

func (s *Store) kept() jsonfile.File[file] {
	return jsonfile.File[file]{Path: s.path, Cure: "repair or remove it, and calibrate again", Check: func(f *file) error {
		for _, e := range f.Calibrations {
			if e.Channel < 1 || !(math.Abs(e.OffsetDB) <= 250) {
				return fmt.Errorf("an impossible calibration of channel %d", e.Channel)
			}
		}
		return nil
	}}
}

func (s *Store) read() ([]Entry, error) {
	f, err := s.kept().Read()
	return f.Calibrations, err
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
	mine := func(x Entry) bool { return x.Device == e.Device && x.Channel == e.Channel }
	err := s.kept().Change(func(f *file) error {
		f.Calibrations = append(f.Calibrations, e)
		for n := count(f.Calibrations, mine); n > keep; n-- {
			i := slices.IndexFunc(f.Calibrations, mine)
			f.Calibrations = slices.Delete(f.Calibrations, i, i+1)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("keep the calibration: %w", err)
	}
	s.given = slices.DeleteFunc(s.given, mine) // it is newer than what was given
	return nil
}

// Adopt has a device keep, under its key, what was kept under an older one.
func (s *Store) Adopt(older, key string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.path == "" {
		return nil
	}
	return s.kept().Change(func(f *file) error {
		for i := range f.Calibrations {
			if f.Calibrations[i].Device == older {
				f.Calibrations[i].Device = key
			}
		}
		return nil
	})
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
func (s *Store) Undo(device string, channel int) (done bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := newest(s.given, device, channel); i >= 0 {
		s.given = slices.Delete(s.given, i, i+1)
		return true, nil
	}
	if s.path == "" {
		return false, nil
	}
	err = s.kept().Change(func(f *file) error {
		if i := newest(f.Calibrations, device, channel); i >= 0 {
			f.Calibrations, done = slices.Delete(f.Calibrations, i, i+1), true
		}
		return nil
	})
	return done && err == nil, err
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
