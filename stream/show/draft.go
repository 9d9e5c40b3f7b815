package show

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

const (
	// draftPrefix begins the names of the folders in which files are made.
	draftPrefix = ".plumbline-new-"
	// draftsKept is how old such a folder is that was left behind by a kill.
	draftsKept = time.Hour
)

// draft has a file made whole in a folder of its own beside path, and gives it
// that name only when it is on the disk. Of several that want one name the first
// gets it; it never replaces a file: the others get fs.ErrExist.
func draft(path string, build func(draft string) error) error {
	if _, err := os.Lstat(path); err == nil {
		return fs.ErrExist
	}
	folder := filepath.Dir(path)
	own, err := os.MkdirTemp(folder, draftPrefix)
	if err != nil {
		return err
	}
	defer os.RemoveAll(own)
	file := filepath.Join(own, "draft"+Extension)
	if err := build(file); err != nil {
		return err
	}
	if err := syncFile(file); err != nil {
		return err
	}
	if err := place(file, path); err != nil {
		return err
	}
	return syncFolder(folder)
}

// place gives a file its name, if nothing has it.
func place(file, path string) error {
	err := os.Link(file, path)
	if err == nil || errors.Is(err, fs.ErrExist) {
		return err
	}
	// A file system without links: the name is taken first, and then the file
	// moved over it. A power cut between the two leaves an empty file.
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	if err = f.Close(); err == nil {
		err = os.Rename(file, path)
	}
	if err != nil {
		os.Remove(path)
	}
	return err
}

// syncFile has a file that no show holds reach the disk.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// syncFolder has the names in a folder reach the disk. Windows has no such call.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil // some file systems of others have no such call either
	}
	return errors.Join(err, f.Close())
}

// sweep removes what a kill left half made.
func sweep(folder string) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return
	}
	for _, e := range entries {
		if !e.IsDir() || !strings.HasPrefix(e.Name(), draftPrefix) {
			continue
		}
		if info, err := e.Info(); err == nil && time.Since(info.ModTime()) > draftsKept {
			os.RemoveAll(filepath.Join(folder, e.Name()))
		}
	}
}
