package show

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"plumbline/stream/wire"
)

// applicationID marks a file as a show: "PLMB".
const applicationID = 0x504c4d42

//go:embed schema/*.sql
var schemaFiles embed.FS

// migrations are the steps from each version of the schema to the next; step 0
// makes an empty show.
var migrations = func() (steps []string) {
	for v := 1; ; v++ {
		step, err := schemaFiles.ReadFile(fmt.Sprintf("schema/%03d.sql", v))
		if err != nil {
			return steps
		}
		steps = append(steps, string(step))
	}
}()

// Extension is that of a show's file. OldExtension is that of files made before
// November 2026, which are opened as ever and keep their names.
const (
	Extension    = ".plumbline"
	OldExtension = ".show"
)

// Stem is a file's name without the ending of a show; ok says whether it had one.
func Stem(file string) (stem string, ok bool) {
	for _, e := range []string{Extension, OldExtension} {
		if stem, ok := strings.CutSuffix(file, e); ok {
			return stem, true
		}
	}
	return file, false
}

// Show is an open show.
type Show struct {
	path    string
	file    fs.FileInfo // which file that is
	db      *sql.DB     // one connection: it holds the file's lock
	now     func() time.Time
	changed atomic.Pointer[func()]
	wal     fs.FileInfo // its write-ahead log; nil: not known
	rescue  rescue
}

// New makes an empty show at path and opens it. It refuses to replace a file.
func New(path, name string) (*Show, error) {
	if _, err := os.Stat(filepath.Dir(path)); errors.Is(err, fs.ErrNotExist) {
		return nil, refuse(http.StatusNotFound, "no_folder", "there is no folder %s: make it, or choose another", filepath.Dir(path))
	}
	err := draft(path, func(draft string) error { return build(draft, name) })
	if err != nil {
		return nil, explain(path, err)
	}
	return Open(path)
}

func build(path, name string) (err error) {
	db, err := sql.Open("sqlite", dsn(path))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("PRAGMA page_size = 8192; PRAGMA application_id = " + strconv.Itoa(applicationID)); err != nil {
		return err
	}
	if err := migrate(db, migrations); err != nil {
		return err
	}
	_, err = db.Exec("INSERT INTO meta VALUES ('name', ?), ('made_ms', ?)", name, strconv.FormatInt(time.Now().UnixMilli(), 10))
	return err
}

// openWithin is how long a file may take to be read through when it is opened:
// a crafted one could take for ever.
const openWithin = 20 * time.Second

// Open opens an existing show, brings an older one up to date, and holds it
// until Close. Another process that has it is an error, and so is a file that
// is damaged, newer than this program, changed by another program, or no show;
// none of them is touched.
func Open(path string) (*Show, error) { return open(path, openWithin) }

func open(path string, within time.Duration) (*Show, error) {
	file, err := hold(path)
	if err != nil {
		return nil, explain(path, err)
	}
	s := &Show{path: path, file: file, now: time.Now}
	if s.db, err = sql.Open("sqlite", dsn(path)); err == nil {
		s.db.SetMaxOpenConns(1)
		if err = s.admit(within); err != nil {
			s.db.Close()
		}
	}
	if err != nil {
		release(file)
		return nil, explain(path, err)
	}
	return s, nil
}

// checkBelow: larger files are not read through at every opening. What they
// hold is found damaged when it is read.
const checkBelow = 256 << 20

// admit looks a file through before anything is written to it.
func (s *Show) admit(within time.Duration) error {
	// Only the looking is given up in the middle: a write that is broken off may
	// leave the connection unusable.
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	err := s.inspect(ctx)
	if ctx.Err() != nil {
		return refuse(http.StatusUnprocessableEntity, "slow", "%s could not be read through within %v: copy it to a faster disk, or open a backup; it was left as it is", s.path, within)
	}
	if err != nil {
		return err
	}
	if s.present() != nil { // it was changed for another between two looks at it
		return locked(s.path)
	}
	if _, err := s.db.Exec("PRAGMA journal_mode = WAL"); err != nil {
		return err
	}
	if err := migrate(s.db, migrations); err != nil {
		return err
	}
	migrated(s.file, len(migrations))
	if _, err := s.log(s.db, "", "open", "", 0, "opened"); err != nil { // and takes the lock
		return err
	}
	s.wal, _ = os.Stat(s.path + logEnding)
	return s.free()
}

func (s *Show) inspect(ctx context.Context) error {
	var version int
	if err := s.db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version < 1 {
		return corrupt(s.path)
	}
	if version > len(migrations) {
		return refuse(http.StatusUnprocessableEntity, "newer", "%s was made by a newer plumbline (version %d, this one knows %d): update plumbline; the show was left as it is", s.path, version, len(migrations))
	}
	if err := checkSchema(ctx, s.db, s.path, version); err != nil {
		return err
	}
	if s.file.Size() >= checkBelow {
		return nil
	}
	var verdict string
	if err := s.db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return corrupt(s.path)
	}
	return nil
}

// dsn: with exclusive locking one process owns the file from its first write
// on, and there is no shared-memory file. FULL: a commit has reached the disk
// when it returns. A file may come from anywhere: its schema is not trusted.
func dsn(path string) string {
	escaped := strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(filepath.ToSlash(path))
	return "file:" + escaped + "?_pragma=busy_timeout(300)&_pragma=trusted_schema(0)&_pragma=cell_size_check(1)" +
		"&_pragma=locking_mode(EXCLUSIVE)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate"
}

// migrate takes the missing steps, each whole or not at all.
func migrate(db *sql.DB, steps []string) error {
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	for v := version; v < len(steps); v++ {
		tx, err := db.Begin()
		if err != nil {
			return err
		}
		if _, err := tx.Exec(steps[v] + "; PRAGMA user_version = " + strconv.Itoa(v+1)); err != nil {
			tx.Rollback()
			return fmt.Errorf("bring the show to version %d: %w", v+1, err)
		}
		if err := tx.Commit(); err != nil {
			return err
		}
	}
	return nil
}

// Close lets go of the show when all that is under way has ended; everything is
// in the one file then.
func (s *Show) Close() error {
	// Who has the only connection is alone with the file.
	conn, err := s.db.Conn(context.Background())
	if err != nil {
		return nil // it is closed already
	}
	var lost error
	if gone := s.present(); gone != nil {
		lost = refuse(http.StatusConflict, codeGone, "%s %v while it was open. %s", s.path, gone, s.save(conn))
	}
	conn.ExecContext(context.Background(), checkpoint)
	err = s.db.Close()                   // nobody else gets the connection
	err = errors.Join(err, conn.Close()) // and now it ends
	release(s.file)
	if lost != nil {
		return lost
	}
	return explain(s.path, err)
}

const checkpoint = "PRAGMA wal_checkpoint(TRUNCATE)"

// settle moves the write-ahead log into the file, so that even a copy of the
// file alone has all. It is not needed for safety: an error changes nothing.
func (s *Show) settle() { s.db.Exec(checkpoint) }

// Path is where the show lies.
func (s *Show) Path() string { return s.path }

// OnChange has f called after every change, on the goroutine that made it.
func (s *Show) OnChange(f func()) { s.changed.Store(&f) }

// Copy writes a compact copy to path, which must not exist. When it returns the
// copy is on the disk.
func (s *Show) Copy(path string) error {
	return explain(path, draft(path, func(draft string) error {
		_, err := s.db.Exec("VACUUM INTO ?", draft)
		return err
	}))
}

// Info is what a show is about.
type Info = wire.Show

// Info reads it.
func (s *Show) Info() (Info, error) {
	i := Info{File: filepath.Base(s.path)}
	var made int64
	err := s.db.QueryRow(`SELECT
		(SELECT value FROM meta WHERE key = 'name'),
		(SELECT value FROM meta WHERE key = 'made_ms'),
		(SELECT user_version FROM pragma_user_version),
		(SELECT coalesce(max(id), 0) FROM log),
		(SELECT count(*) FROM loudspeakers WHERE deleted IS NULL),
		(SELECT count(*) FROM seats WHERE deleted IS NULL),
		(SELECT count(*) FROM takes WHERE deleted IS NULL),
		(SELECT count(*) FROM plans WHERE deleted IS NULL),
		(SELECT count(*) FROM notes WHERE deleted IS NULL),
		(SELECT coalesce(sum(audio_frames), 0) FROM events WHERE audio_rate_hz > 0 AND audio_deleted IS NULL) * ?1,
		(SELECT coalesce(sum(audio_frames), 0) FROM events WHERE audio_rate_hz > 0 AND audio_deleted IS NOT NULL) * ?1,
		(SELECT page_count FROM pragma_page_count) * (SELECT page_size FROM pragma_page_size)`, audioBytes).
		Scan(&i.Name, &made, &i.Version, &i.Revision, &i.Loudspeakers, &i.Seats, &i.Takes, &i.Plans, &i.Notes,
			&i.EventAudioBytes, &i.DeletedAudioBytes, &i.SizeBytes)
	i.MadeAt = stamp(made)
	if err != nil {
		return i, explain(s.path, err)
	}
	i.EventAudioMostBytes, err = s.EventAudioMost()
	return i, err
}

// Rename gives the show another name; the file keeps its own.
func (s *Show) Rename(name, by string) error {
	if err := checkName("show", name); err != nil {
		return err
	}
	return s.write(func(tx *sql.Tx) error {
		if _, err := tx.Exec("UPDATE meta SET value = ? WHERE key = 'name'", name); err != nil {
			return err
		}
		_, err := s.log(tx, by, "change", "", 0, "renamed the show to "+name)
		return err
	})
}

// write runs f in a transaction, and tells of the change when it is stored.
func (s *Show) write(f func(tx *sql.Tx) error) error {
	if err := s.transact(f); err != nil {
		return err
	}
	if f := s.changed.Load(); f != nil {
		(*f)()
	}
	return nil
}

// transact runs f in a transaction. Without an error what it did is on the disk,
// in the file that the show's path leads to.
func (s *Show) transact(f func(tx *sql.Tx) error) error {
	tx, err := s.db.Begin()
	if err != nil {
		return explain(s.path, err)
	}
	// Before as well: into a file that has gone nothing is written at all.
	if err = s.present(); err == nil {
		if err = f(tx); err == nil {
			err = s.present()
		}
	}
	if err == nil {
		s.rescue.to = "" // whatever was copied, more is stored now
		if err = tx.Commit(); err == nil {
			err = s.kept()
		}
	}
	if err == nil {
		return nil
	}
	tx.Rollback()
	var gone *goneError
	if errors.As(err, &gone) {
		return s.refuseGone(gone)
	}
	return explain(s.path, err)
}

// Entry is a show in a folder.
type Entry struct {
	File       string `json:"file"` // name without the folder
	Version    int    `json:"version"`
	Newer      bool   `json:"newer"` // than this program can open
	ModifiedAt string `json:"modified_at"`
	SizeBytes  int64  `json:"size_bytes"`
}

// List names the shows in a folder, the newest first. Other files are passed over.
func List(dir string) ([]Entry, error) {
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, explain(dir, err)
	}
	list := []Entry{}
	for _, f := range files {
		info, err := f.Info()
		if _, show := Stem(f.Name()); !show || err != nil || !info.Mode().IsRegular() {
			continue
		}
		version, err := peek(filepath.Join(dir, f.Name()))
		if err != nil {
			continue
		}
		list = append(list, Entry{f.Name(), version, version > len(migrations), stamp(info.ModTime().UnixMilli()), info.Size()})
	}
	slices.SortStableFunc(list, func(a, b Entry) int { return strings.Compare(b.ModifiedAt, a.ModifiedAt) })
	return list, nil
}

func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z07:00") }
