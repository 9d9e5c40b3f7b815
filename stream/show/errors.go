package show

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"strings"
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
	case strings.Contains(err.Error(), "sql: database is closed"): // the error itself is not exported
		mine = refuse(http.StatusConflict, "closed", "%s was closed meanwhile and nothing was stored in it: do it again in the show that is open", path)
	case errors.As(err, &db):
		switch db.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			mine = fullDisk(path)
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			mine = corrupt(path)
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			mine = locked(path)
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

func locked(path string) *wire.Error {
	return refuse(http.StatusConflict, "locked", "%s is open in another plumbline: end that one, or work on a copy", path)
}

// taken: a name is in use.
func taken(err error) bool {
	var db *sqlite.Error
	return errors.As(err, &db) && db.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE
}
