package setup

import (
	"errors"
	"slices"
	"sync"

	"plumbline/stream/jsonfile"
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
func Path() (string, error) { return jsonfile.Path("devices.json") }

// OpenKept reads a file, which need not be there yet; an empty path keeps nothing beyond
// this run. Kept works after an error too, and leaves a file that it cannot read alone.
func OpenKept(path string) (*Kept, error) {
	k := &Kept{path: path}
	if path == "" {
		return k, nil
	}
	var err error
	if k.file, err = k.stored().Read(); err != nil {
		k.path = ""
	}
	return k, err
}

func (k *Kept) stored() jsonfile.File[keptFile] {
	return jsonfile.File[keptFile]{Path: k.path, Cure: "repair or remove it, and choose the devices again", Check: func(f *keptFile) (err error) {
		for i := range f.Devices {
			err = errors.Join(err, f.Devices[i].Settle())
		}
		return err
	}}
}

// Path is the file; empty: none.
func (k *Kept) Path() string { return k.path }

// Of is what was chosen with a device; false: nothing yet.
func (k *Kept) Of(id string) (wire.SourceChoice, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	i := k.file.index(id)
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
	return k.change(func(f *keptFile) {
		f.Last = c.Device
		if i := f.index(c.Device); i >= 0 {
			f.Devices[i] = c
		} else {
			f.Devices = append(f.Devices, c)
		}
	})
}

// Leave says that the last device was let go on purpose: what was chosen with it stays.
func (k *Kept) Leave() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.change(func(f *keptFile) { f.Last = "" })
}

func (f *keptFile) index(id string) int {
	return slices.IndexFunc(f.Devices, func(c wire.SourceChoice) bool { return c.Device == id })
}

// change counts for this run, and in the file, where another program may have kept more. mu
// is held.
func (k *Kept) change(edit func(*keptFile)) error {
	edit(&k.file)
	if k.path == "" {
		return nil
	}
	return k.stored().Change(func(f *keptFile) error { edit(f); return nil })
}
