package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/daemon"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// openShelf opens the show that was asked for, or makes it, on the shelf of its
// folder; without a file there is a shelf with no show open. fresh makes one in
// a folder that close removes.
func openShelf(file string, fresh bool) (shelf *show.Shelf, close func() error, err error) {
	if file != "" {
		if filepath.Ext(file) == "" {
			file = showFile(file)
		}
		if _, ok := show.Stem(file); !ok {
			return nil, nil, fmt.Errorf("--show %s: the file of a show ends in %s", file, show.Extension)
		}
		if err := wire.CheckLine("show", "the name after --show", filepath.Base(file), 250); err != nil {
			return nil, nil, err
		}
		path, err := filepath.Abs(file)
		if err != nil {
			return nil, nil, err
		}
		if shelf, err = show.NewShelf(filepath.Dir(path)); err != nil {
			return nil, nil, err
		}
		_, err = shelf.OpenOrNew(filepath.Base(path))
		return shelf, shelf.Close, err
	}
	if !fresh {
		dir, err := showsDir()
		if err != nil {
			return nil, nil, err
		}
		shelf, err = show.NewShelf(dir)
		if err != nil {
			return nil, nil, err
		}
		return shelf, shelf.Close, nil
	}
	dir, err := os.MkdirTemp("", "plumbline-demo-")
	if err != nil {
		return nil, nil, err
	}
	if shelf, err = show.NewShelf(dir); err == nil {
		_, err = shelf.New("demo")
	}
	if err != nil {
		os.RemoveAll(dir)
		return nil, nil, err
	}
	return shelf, func() error { return errors.Join(shelf.Close(), os.RemoveAll(dir)) }, nil
}

// showFile is the file of a show that was named without an ending: one of old if only that
// is there.
func showFile(stem string) string {
	file := stem + show.Extension
	if _, err := os.Stat(file); err != nil {
		if _, err := os.Stat(stem + show.OldExtension); err == nil {
			return stem + show.OldExtension
		}
	}
	return file
}

// showsDir is where shows lie that nobody gave a place: the user's data folder
// (XDG Base Directory Specification on Unix).
func showsDir() (string, error) {
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for shows: %w: give --show FILE", err)
	}
	data := os.Getenv("XDG_DATA_HOME")
	switch {
	case runtime.GOOS == "darwin":
		data = filepath.Join(home, "Library", "Application Support")
	case runtime.GOOS == "windows":
		if data = os.Getenv("LocalAppData"); data == "" {
			data = filepath.Join(home, "AppData", "Local")
		}
	case !filepath.IsAbs(data):
		data = filepath.Join(home, ".local", "share")
	}
	return filepath.Join(data, "plumbline", "shows"), nil
}

// furnish enters what a virtual rig has into an open show that is empty.
func furnish(shelf *show.Shelf, scene rig.Scene) error {
	x, err := shelf.Current()
	if err != nil {
		return nil // none is open
	}
	return daemon.Furnish(x, scene)
}
