package show

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"plumbline/stream/wire"
)

// codeGone is the code of what is refused because the show's file is not there.
const codeGone = "show_gone"

// logEnding is that of the write-ahead log's file (SQLite: "Write-Ahead Logging").
const logEnding = "-wal"

// goneError: the show's path leads to nothing, or to another file, while the
// show is open. What is written then is in a file without a name, which is
// gone with the program.
type goneError struct{ what string }

// Error says what happened to the file.
func (e *goneError) Error() string { return e.what }

// present is nil while the path leads to the file that is open, and else a
// *goneError.
func (s *Show) present() error {
	now, err := os.Stat(s.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &goneError{"was deleted or moved"}
	case err != nil:
		return &goneError{fmt.Sprintf("can no longer be reached (%v)", err)}
	case !os.SameFile(now, s.file):
		return &goneError{"was replaced by another file"}
	}
	return nil
}

// kept makes sure that what was just committed is where the next Open looks for
// it.
func (s *Show) kept() error {
	if err := s.present(); err != nil {
		return err
	}
	if now, err := os.Stat(s.path + logEnding); err == nil && s.wal != nil && os.SameFile(now, s.wal) {
		return nil
	}
	// The write-ahead log has lost its name: what is in it belongs into the file.
	var busy, frames, moved int
	if err := s.db.QueryRow(checkpoint).Scan(&busy, &frames, &moved); err != nil {
		return err
	}
	if busy != 0 {
		return &goneError{"has lost its write-ahead log"}
	}
	return nil
}

// rescue is about the copy that is made of a show whose file has gone. Who has
// the show's one connection owns it.
type rescue struct {
	to    string // the copy; empty: there is none of all that is stored
	err   error  // why not
	tried time.Time
}

// rescueEvery is how often a copy is tried again.
const rescueEvery = 10 * time.Second

// refuseGone says that something was not stored, and what became of the rest.
func (s *Show) refuseGone(gone *goneError) *wire.Error {
	conn, err := s.db.Conn(context.Background())
	if err != nil { // closed meanwhile, which saved all
		return refuse(http.StatusConflict, codeGone, "%s %v while it was open: this was not stored", s.path, gone)
	}
	defer conn.Close()
	return refuse(http.StatusConflict, codeGone, "%s %v while it was open: this was not stored. %s", s.path, gone, s.save(conn))
}

// save copies what is stored to a new file beside the one that has gone, once,
// and says where it is. The old file is still there without a name: it can be
// read until the show is closed.
func (s *Show) save(conn *sql.Conn) string {
	// The write-ahead log still has its name, and would be taken for that of the
	// file that is put there.
	conn.ExecContext(context.Background(), checkpoint)
	r := &s.rescue
	if _, err := os.Stat(r.to); r.to != "" && err != nil {
		r.to = "" // that one has gone too
	}
	if r.to == "" && (r.tried.IsZero() || time.Since(r.tried) >= rescueEvery) {
		r.tried = time.Now()
		r.to, r.err = s.copyBeside(conn)
	}
	if r.to == "" {
		return fmt.Sprintf("A copy of what was stored before could not be made (%v): put the file back, or make a copy under another name before this plumbline ends", r.err)
	}
	return fmt.Sprintf("All that was stored before is in %s: open that, or put the file back", r.to)
}

// inTheWayOf: the show has to be closed before what is at a path can be opened.
// That took its place, and the name of its write-ahead log, or is its file under
// another name.
func (s *Show) inTheWayOf(path string) bool {
	now, err := os.Stat(path)
	return s.path == path || err == nil && os.SameFile(now, s.file)
}

// secure makes sure, or refuses, that a show whose file has gone can be closed
// without losing anything.
func (s *Show) secure() error {
	conn, err := s.db.Conn(context.Background())
	if err != nil {
		return nil // it is closed
	}
	defer conn.Close()
	gone := s.present()
	if gone == nil {
		return nil
	}
	if said := s.save(conn); s.rescue.to == "" {
		return refuse(http.StatusConflict, codeGone, "%s %v while it was open, and would be lost. %s", s.path, gone, said)
	}
	return nil
}

// copiesMost bounds the names that are tried.
const copiesMost = 1000

func (s *Show) copyBeside(conn *sql.Conn) (string, error) {
	base, _ := Stem(s.path)
	for n := 1; n <= copiesMost; n++ {
		path := base + " rescued" + Extension
		if n > 1 {
			path = fmt.Sprintf("%s rescued %d%s", base, n, Extension)
		}
		err := draft(path, func(draft string) error {
			_, err := conn.ExecContext(context.Background(), "VACUUM INTO ?", draft)
			return err
		})
		switch {
		case err == nil:
			return path, nil
		case !errors.Is(err, fs.ErrExist):
			return "", err
		}
	}
	return "", fmt.Errorf("%d of them are in %s", copiesMost, filepath.Dir(s.path))
}
