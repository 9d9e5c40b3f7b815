package setup

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"plumbline/stream/wire"
)

// Kept are choices by device, in a file of the user's. Its methods may be called from
// several goroutines.
type Kept struct {
	path string // empty: nothing is kept beyond this run

	mu   sync.Mutex
	file keptFile
}

// keptFile is what is in the file.
type keptFile struct {
	Last    string              `json:"last"` // ID of the device that was chosen last; empty: none
	Devices []wire.SourceChoice `json:"devices"`
}

// Path is where choices are kept when nothing else is said: beside the calibrations.
func Path() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find where set-ups are kept: %w", err)
	}
	return filepath.Join(dir, "plumbline", "devices.json"), nil
}

// OpenKept reads a file, which need not be there yet; an empty path keeps nothing beyond
// this run. Kept works after an error too, and leaves a file that it cannot read alone.
func OpenKept(path string) (*Kept, error) {
	k := &Kept{path: path}
	if path == "" {
		return k, nil
	}
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return k, nil
	}
	if err == nil {
		var f keptFile
		if err = json.Unmarshal(data, &f); err == nil {
			for i := range f.Devices {
				err = errors.Join(err, f.Devices[i].Settle())
			}
		}
		if err == nil {
			k.file = f
			return k, nil
		}
		err = fmt.Errorf("%s is damaged: repair or remove it, and choose the devices again (%w)", path, err)
	}
	k.path = ""
	return k, err
}

// Path is the file; empty: none.
func (k *Kept) Path() string { return k.path }

// Of is what was chosen with a device; false: nothing yet.
func (k *Kept) Of(id string) (wire.SourceChoice, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	i := k.index(id)
	if i < 0 {
		return wire.SourceChoice{}, false
	}
	return k.file.Devices[i], true
}

// Last is the choice in force when the program ended.
func (k *Kept) Last() (wire.SourceChoice, bool) {
	k.mu.Lock()
	last := k.file.Last
	k.mu.Unlock()
	return k.Of(last)
}

// Keep keeps a choice with its device, which is the last one.
func (k *Kept) Keep(c wire.SourceChoice) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.file.Last = c.Device
	if i := k.index(c.Device); i >= 0 {
		k.file.Devices[i] = c
	} else {
		k.file.Devices = append(k.file.Devices, c)
	}
	return k.write()
}

// Leave says that the last device was let go on purpose: what was chosen with it stays.
func (k *Kept) Leave() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.file.Last = ""
	return k.write()
}

func (k *Kept) index(id string) int {
	return slices.IndexFunc(k.file.Devices, func(c wire.SourceChoice) bool { return c.Device == id })
}

// write replaces the file whole or not at all.
func (k *Kept) write() error {
	if k.path == "" {
		return nil
	}
	data, err := json.MarshalIndent(k.file, "", "\t")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(k.path), 0o755); err != nil {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(k.path), ".devices-*")
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
	return os.Rename(draft.Name(), k.path)
}
