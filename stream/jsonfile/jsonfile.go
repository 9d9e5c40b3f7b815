// Package jsonfile keeps what this computer's user has set, each kind in one small JSON file:
// read whole, replaced whole or not at all, by one program at a time, for its owner alone.
package jsonfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

const (
	patience = 2 * time.Second // for another program that changes the file
	stale    = 10 * time.Second
	poll     = 5 * time.Millisecond
)

// Path is where the user's file of that name lies: beside the configuration (XDG Base
// Directory Specification on Unix).
func Path(name string) (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find where %s is kept: %w: set HOME", name, err)
	}
	return filepath.Join(dir, "plumbline", name), nil
}

// File is one whose whole is a T. Its methods may be called from several goroutines, and by
// several programs.
type File[T any] struct {
	Path  string
	Cure  string         // what to do about a damaged one, as "remove it and add the tokens again"
	Check func(*T) error // nil: any T will do
}

// Read is what the file says; the zero T where there is none yet, or no Path.
func (f File[T]) Read() (v T, err error) {
	data, err := os.ReadFile(f.Path)
	if f.Path == "" || errors.Is(err, fs.ErrNotExist) {
		return v, nil
	} else if err != nil {
		return v, err
	}
	if err = json.Unmarshal(data, &v); err == nil && f.Check != nil {
		err = f.Check(&v)
	}
	if err != nil {
		var none T
		return none, fmt.Errorf("%s is damaged: %s (%w)", f.Path, f.Cure, err)
	}
	return v, nil
}

// Change reads the file anew and replaces it by what edit makes of it. An error of edit,
// a file that cannot be read, and what is the same as before, change nothing.
func (f File[T]) Change(edit func(*T) error) error {
	if err := os.MkdirAll(filepath.Dir(f.Path), 0o700); err != nil {
		return err
	}
	unlock, err := f.lock()
	if err != nil {
		return err
	}
	defer unlock()
	v, err := f.Read()
	if err != nil {
		return err
	}
	before, err := json.MarshalIndent(v, "", "\t")
	if err = errors.Join(err, edit(&v)); err != nil {
		return err
	}
	data, err := json.MarshalIndent(v, "", "\t")
	if err != nil || bytes.Equal(data, before) {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(f.Path), "."+filepath.Base(f.Path)+"-*") // of mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(draft.Name()) // which is not there any more, where all goes well
	_, err = draft.Write(append(data, '\n'))
	if err == nil {
		err = draft.Sync()
	}
	if err = errors.Join(err, draft.Close()); err != nil {
		return err
	}
	return os.Rename(draft.Name(), f.Path)
}

// lock keeps other programs from a change until unlock. What one left that was cut off is
// taken away: two that do so at once lose one change at the most, and never the file.
func (f File[T]) lock() (unlock func(), err error) {
	path := f.Path + ".lock"
	for end := time.Now().Add(patience); ; time.Sleep(poll) {
		file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if err == nil {
			return func() { os.Remove(path) }, file.Close()
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
		if info, err := os.Stat(path); err == nil && time.Since(info.ModTime()) > stale {
			os.Remove(path)
		} else if time.Now().After(end) {
			return nil, fmt.Errorf("another plumbline changes %s: try again", f.Path)
		}
	}
}
