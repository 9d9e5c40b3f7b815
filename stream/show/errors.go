package show

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"plumbline/stream/wire"
)

func refuse(status int, code, format string, args ...any) *wire.Error {
	return &wire.Error{Code: code, Text: fmt.Sprintf(format, args...), Status: status}
}

func missing(kind Kind, id int64) error {
	return refuse(http.StatusNotFound, "not_found", "there is no %s %d in this show", kind, id)
}

// explain turns what the file system or the database says into one sentence
// that says what to do; path is the show's.
func explain(path string, err error) error {
	var mine *wire.Error
	var db *sqlite.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &mine):
		return mine
	case errors.Is(err, fs.ErrNotExist):
		mine = refuse(http.StatusNotFound, "no_show", "there is no show at %s: make a new one", path)
	case errors.Is(err, fs.ErrExist):
		mine = refuse(http.StatusConflict, "exists", "%s exists: choose another name, it was left as it is", path)
	case errors.Is(err, fs.ErrPermission):
		mine = refuse(http.StatusForbidden, "permission", "%s may not be read or written by this user: change its permissions or choose another folder", path)
	case errors.Is(err, syscall.ENOSPC):
		mine = fullDisk(path)
	case errors.As(err, &db):
		switch db.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			mine = fullDisk(path)
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			mine = corrupt(path)
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			mine = refuse(http.StatusConflict, "locked", "%s is open in another plumbline: end that one, or work on a copy", path)
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
			mine = refuse(http.StatusForbidden, "permission", "%s cannot be opened for writing: change its permissions or choose another folder", path)
		}
	}
	if mine == nil {
		return fmt.Errorf("show %s: %w", path, err)
	}
	mine.Cause = err
	return mine
}

func fullDisk(path string) *wire.Error {
	return refuse(http.StatusInsufficientStorage, "disk_full", "the disk is full: nothing was stored and what %s holds is untouched: free some space and try again", path)
}

func corrupt(path string) *wire.Error {
	return refuse(http.StatusUnprocessableEntity, "corrupt", "%s is damaged: keep it as it is and open a copy or a backup", path)
}

// taken: a name is in use.
func taken(err error) bool {
	var db *sqlite.Error
	return errors.As(err, &db) && db.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE
}

// peek reads what a show's file says about itself, without opening it as one.
// The database header is that of SQLite's file format, section 1.3.
func peek(path string) (version int, err error) {
	// A pipe nobody writes to would hold up even the opening.
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return 0, refuse(http.StatusUnprocessableEntity, "not_a_show", "%s is no file: choose a show", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return 0, refuse(http.StatusUnprocessableEntity, "not_a_show", "%s is no file: choose a show", path)
	}
	var head [100]byte
	if n, _ := f.ReadAt(head[:], 0); n < len(head) || string(head[:16]) != "SQLite format 3\x00" || be32(head[68:]) != applicationID {
		return 0, refuse(http.StatusUnprocessableEntity, "not_a_show", "%s is no plumbline show: choose another file", path)
	}
	return int(be32(head[60:])), nil
}

func be32(b []byte) uint32 {
	return uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])
}
