package show

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whoever asks to be told hears of changes to a show that is open already, and
// to the next one.
func TestShelfTellsOfChanges(t *testing.T) {
	f, err := NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	x, err := f.New("afternoon")
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	f.OnChange(func() { told++ })
	if _, err := x.PutSeat(Seat{Name: "seat 1"}, "test"); err != nil {
		t.Fatal(err)
	}
	if told != 1 {
		t.Errorf("told %d times of a seat, want once", told)
	}
	if x, err = f.New("evening"); err != nil {
		t.Fatal(err)
	}
	if _, err := x.PutSeat(Seat{Name: "seat 1"}, "test"); err != nil {
		t.Fatal(err)
	}
	if told != 3 {
		t.Errorf("told %d times of a seat, another show and a seat there, want three times", told)
	}
}

// The file of a show can be named on a command line, whatever the show is called.
func TestFileNames(t *testing.T) {
	for name, want := range map[string]string{
		"afternoon": "afternoon.plumbline", "../x": "x.plumbline", "/etc/hosts": "etc-hosts.plumbline", "..": "show.plumbline",
		".hidden": "hidden.plumbline", "-rf ": "rf.plumbline", "a/b\\c:d": "a-b-c-d.plumbline", "Größe 2, früh": "Größe 2, früh.plumbline",
	} {
		if got := fileName(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

// The longest name that a show may have, in a script of four bytes a character,
// is that of a file; so are a copy of it and what is saved of it.
func TestLongNamesAreFiles(t *testing.T) {
	f := must(NewShelf(t.TempDir()))(t)
	defer f.Close()
	name := strings.Repeat("\U00020000", maxName)
	s := must(f.New(name))(t)
	if i := must(s.Info())(t); i.Name != name || len(i.File) > longestFile {
		t.Errorf("%q, %d bytes", i.Name, len(i.File))
	}
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	_, err := s.PutSeat(Seat{Name: "row 1"}, "")
	mustBe(t, err, codeGone, "rescued.plumbline: open that")
	for _, file := range []string{"a\x00b.plumbline", "a\nb.plumbline", "\x1b[2J.plumbline", "a\xff.plumbline", "../a.plumbline", ".a.plumbline", "a"} {
		_, err := f.Open(file)
		mustBe(t, err, "file", "names no show")
	}
}

// A file that was made when shows had another ending opens, is listed, and keeps its name.
func TestShowsOfOldOpen(t *testing.T) {
	dir := t.TempDir()
	s, err := New(filepath.Join(dir, "hall"+OldExtension), "The hall")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := NewShelf(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	if list, err := List(dir); err != nil || len(list) != 1 || list[0].File != "hall.show" {
		t.Fatalf("%+v, %v", list, err)
	}
	x, err := f.Open("hall.show")
	if err != nil || filepath.Base(x.path) != "hall.show" {
		t.Fatal(err)
	}
}
