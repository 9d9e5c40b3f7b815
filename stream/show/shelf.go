package show

import (
	"errors"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"plumbline/stream/wire"
)

// Shelf is a folder of shows, of which one may be open. Shows go by the names
// of their files there; a name is never a path. Its methods may be called from
// several goroutines.
type Shelf struct {
	dir     string
	opening sync.Mutex // held while a show is opened, made or closed: one after the other

	mu       sync.Mutex
	current  *Show
	onChange func()
}

// NewShelf uses a folder, and makes it if it is not there. No show is open yet.
func NewShelf(dir string) (*Shelf, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, explain(dir, err)
	}
	sweep(dir)
	return &Shelf{dir: dir}, nil
}

// Dir is the folder.
func (f *Shelf) Dir() string { return f.dir }

// OnChange has changed called after every change of the open show, and when
// another one is opened. Set it before others use the shelf; a show may be open.
func (f *Shelf) OnChange(changed func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.onChange = changed
	if f.current != nil {
		f.current.OnChange(changed)
	}
}

// List names the shows, the newest first.
func (f *Shelf) List() ([]Entry, error) { return List(f.dir) }

var errNoShow = refuse(http.StatusNotFound, "no_show", "no show is open: make one or open one")

// Current is the open show, or an error that says how to open one.
func (f *Shelf) Current() (*Show, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.current == nil {
		return nil, errNoShow
	}
	return f.current, nil
}

// Open opens a show of the folder in place of the one that is open, which
// stays open if that fails. An error with a show is about the one that was closed.
func (f *Shelf) Open(file string) (*Show, error) {
	f.opening.Lock()
	defer f.opening.Unlock()
	return f.open(file)
}

// open is Open for those who hold opening.
func (f *Shelf) open(file string) (*Show, error) {
	path, err := f.path(file)
	if err != nil {
		return nil, err
	}
	var closed error
	if s, err := f.Current(); err == nil {
		gone := s.present() != nil
		if s.path == path && !gone {
			return s, nil
		}
		if gone && s.inTheWayOf(path) {
			if err := s.secure(); err != nil {
				return nil, err
			}
			// It stays the current one, so that what comes meanwhile is refused and
			// tried again.
			closed = s.Close()
		}
	}
	s, err := Open(path)
	if s, err = f.swap(s, err); s != nil || closed == nil {
		return s, errors.Join(err, closed)
	}
	f.mu.Lock()
	f.current = nil
	changed := f.onChange
	f.mu.Unlock()
	if changed != nil {
		changed()
	}
	var mine *wire.Error
	if errors.As(err, &mine) { // one sentence cannot do without the other
		err = refuse(mine.Status, mine.Code, "%s. %v", mine.Text, closed)
	}
	return nil, err
}

// New makes a show and opens it. Its file is called after it.
func (f *Shelf) New(name string) (*Show, error) {
	if err := checkName("show", name); err != nil {
		return nil, err
	}
	path, err := f.path(fileName(name))
	if err != nil {
		return nil, err
	}
	f.opening.Lock()
	defer f.opening.Unlock()
	s, err := New(path, name)
	return f.swap(s, err)
}

// OpenOrNew opens a file of the folder, or makes it.
func (f *Shelf) OpenOrNew(file string) (*Show, error) {
	f.opening.Lock()
	defer f.opening.Unlock()
	s, err := f.open(file)
	if err == nil {
		return s, nil
	}
	path, bad := f.path(file)
	if bad != nil {
		return nil, bad
	}
	if _, stat := os.Lstat(path); !errors.Is(stat, fs.ErrNotExist) {
		return nil, err
	}
	name, _ := Stem(file)
	s, err = New(path, name)
	return f.swap(s, err)
}

// swap puts a show in the place of the one that is open, and closes that. An
// error with a show is about the one that was closed.
func (f *Shelf) swap(s *Show, err error) (*Show, error) {
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	if f.onChange != nil {
		s.OnChange(f.onChange)
	}
	old, changed := f.current, f.onChange
	f.current = s
	f.mu.Unlock()
	if old != nil {
		err = old.Close()
	}
	if changed != nil {
		changed()
	}
	return s, err
}

// Copy copies the open show to a new one of that name in the folder, and
// returns the copy's file.
func (f *Shelf) Copy(name string) (string, error) {
	if err := checkName("show", name); err != nil {
		return "", err
	}
	s, err := f.Current()
	if err != nil {
		return "", err
	}
	path, err := f.path(fileName(name))
	if err != nil {
		return "", err
	}
	return filepath.Base(path), s.Copy(path)
}

// Close closes the open show.
func (f *Shelf) Close() error {
	f.opening.Lock()
	defer f.opening.Unlock()
	f.mu.Lock()
	s := f.current
	f.current = nil
	f.mu.Unlock()
	if s == nil {
		return nil
	}
	return s.Close()
}

func (f *Shelf) path(file string) (string, error) {
	stem, ok := Stem(file)
	if !ok || stem == "" || file != filepath.Base(file) || strings.ContainsAny(file, `/\:`) || wire.CheckLine("file", "", file, 250) != nil || strings.HasPrefix(file, ".") {
		return "", refuse(http.StatusUnprocessableEntity, "file", "%q names no show: it must be a file name that ends in %s, without a folder", file, Extension)
	}
	return filepath.Join(f.dir, file), nil
}

// longestFile is how long a file's name made of a show's is, in bytes. 255 are
// what file systems take at most (POSIX: NAME_MAX), and endings are added to it.
const longestFile = 200

// fileName makes a file's name of a show's: what some file system refuses
// becomes a hyphen, and none stands in front, where a shell takes it for a flag.
func fileName(name string) string {
	name = strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune(" -_()+,", r) {
			return r
		}
		return '-'
	}, name)
	name = strings.TrimLeft(name, "- ")
	for len(name) > longestFile-len(Extension) {
		_, last := utf8.DecodeLastRuneInString(name)
		name = name[:len(name)-last]
	}
	if name = strings.TrimSpace(name); name == "" {
		name = "show"
	}
	return name + Extension
}
