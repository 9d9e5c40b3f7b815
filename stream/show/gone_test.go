package show

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/stream/wire"
)

// names are those of the seats of a show.
func names(t *testing.T, s *Show) (list []string) {
	t.Helper()
	for _, x := range must(s.Seats())(t) {
		list = append(list, x.Name)
	}
	return list
}

// rescued opens what a refusal says that the show was saved to, and returns the
// seats and takes in it.
func rescued(t *testing.T, path string) (seats []string, takes int) {
	t.Helper()
	s := must(Open(path))(t)
	defer s.Close()
	for _, x := range must(s.Takes(Filter{}))(t) {
		if a, err := s.TakeAudio(x.ID); err != nil || a == nil {
			t.Errorf("the audio of take %d: %v", x.ID, err)
		}
		takes++
	}
	return names(t, s), takes
}

// While a show is open its file is deleted, moved, replaced, or becomes
// unreachable: nothing is acknowledged that is not kept, and what was is saved.
func TestTheFileOfAnOpenShowGoes(t *testing.T) {
	for what, c := range map[string]struct {
		happens func(path string) error
		say     string
	}{
		"deleted": {os.Remove, "was deleted or moved while it was open: this was not stored"},
		"moved":   {func(p string) error { return os.Rename(p, p+".old") }, "was deleted or moved"},
		"replaced": {func(p string) error {
			other, err := New(filepath.Join(filepath.Dir(p), "other.plumbline"), "other")
			if err != nil {
				return err
			}
			if err := other.Close(); err != nil {
				return err
			}
			return os.Rename(other.path, p)
		}, "was replaced by another file"},
		"replaced by what is no show": {func(p string) error {
			if err := os.Remove(p); err != nil {
				return err
			}
			return os.WriteFile(p, []byte("music"), 0o644)
		}, "was replaced by another file"},
	} {
		t.Run(what, func(t *testing.T) {
			s := newShow(t)
			must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
			must(s.AddTake(Take{Origin: Measured}, spectraOf(1), audioOf(1, 5000), ""))(t)
			must(s.PutSeat(Seat{Name: "row 2"}, ""))(t) // in the write-ahead log only
			if err := c.happens(s.path); err != nil {
				t.Fatal(err)
			}
			saved := stemOf(s.path) + " rescued" + Extension
			// Everything that writes.
			_, err := s.AddTake(Take{Origin: Measured}, spectraOf(2), audioOf(2, 5000), "")
			mustBe(t, err, codeGone, c.say)
			mustBe(t, err, codeGone, "All that was stored before is in "+saved)
			_, err = s.PutSeat(Seat{Name: "row 3"}, "")
			mustBe(t, err, codeGone, c.say)
			mustBe(t, s.AddLevels([]LevelRow{{Microphone: 2, AtMs: 1000}}, nil), codeGone, c.say)
			mustBe(t, s.Log("doors open", ""), codeGone, c.say)
			_, err = s.AddEvent(wire.Event{At: "2030-05-04T20:41:07.000Z"})
			mustBe(t, err, codeGone, c.say)
			if seats, takes := rescued(t, saved); !slices.Equal(seats, []string{"row 1", "row 2"}) || takes != 1 {
				t.Errorf("saved were the seats %v and %d takes", seats, takes)
			}
			if err := s.Close(); codeOf(err) != codeGone {
				t.Errorf("closed with %v", err)
			}
			again, _ := filepath.Glob(filepath.Join(filepath.Dir(s.path), "*rescued*.plumbline"))
			if len(again) != 1 {
				t.Errorf("saved more than once: %v", again)
			}
		})
	}
}

// When the file is put back it goes on there; when it goes once more, what was
// stored since is saved too.
func TestTheFileComesBack(t *testing.T) {
	s := newShow(t)
	aside := s.path + ".aside"
	move := func(from, to string) {
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	put := func(name string) error {
		_, err := s.PutSeat(Seat{Name: name}, "")
		return err
	}
	if err := put("row 1"); err != nil {
		t.Fatal(err)
	}
	move(s.path, aside)
	mustBe(t, put("row 2"), codeGone, "put the file back")
	move(aside, s.path)
	if err := put("row 2"); err != nil {
		t.Fatal("it was put back: ", err)
	}
	move(s.path, aside)
	s.rescue.tried = time.Time{} // long ago
	mustBe(t, put("row 3"), codeGone, "rescued 2.plumbline")
	if seats, _ := rescued(t, stemOf(s.path)+" rescued 2"+Extension); !slices.Equal(seats, []string{"row 1", "row 2"}) {
		t.Errorf("saved were the seats %v", seats)
	}
	move(aside, s.path)
	s = reopen(t, s)
	if got := names(t, s); !slices.Equal(got, []string{"row 1", "row 2"}) {
		t.Errorf("seats %v", got)
	}
}

// Nobody writes after the file has gone, but the show is closed: saved all the
// same. Without room for that, the refusal says so and what to do.
func TestAShowWhoseFileIsGoneIsClosed(t *testing.T) {
	s := newShow(t)
	must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	mustBe(t, s.Close(), codeGone, "All that was stored before is in")
	if seats, _ := rescued(t, stemOf(s.path)+" rescued"+Extension); !slices.Equal(seats, []string{"row 1"}) {
		t.Errorf("saved were the seats %v", seats)
	}

	s = newShow(t)
	if err := os.RemoveAll(filepath.Dir(s.path)); err != nil {
		t.Fatal(err)
	}
	_, err := s.PutSeat(Seat{Name: "row 1"}, "")
	mustBe(t, err, codeGone, "could not be made")
	elsewhere := filepath.Join(t.TempDir(), "copy.plumbline")
	if err := s.Copy(elsewhere); err != nil { // as the refusal says
		t.Error(err)
	}
}

// The write-ahead log alone loses its name, and the program is killed: what was
// acknowledged since is there.
func TestTheWriteAheadLogGoes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.plumbline")
	if err := must(New(path, "x"))(t).Close(); err != nil {
		t.Fatal(err)
	}
	if said := run(t, "lose the log", path); said != "<nil>" && !strings.Contains(said, "no such file") {
		t.Fatal(said)
	}
	s := must(Open(path))(t)
	defer s.Close()
	if got := names(t, s); !slices.Contains(got, "row 1") {
		t.Errorf("of the acknowledged seats there are %v", got)
	}
}

// A file is replaced under a program that is killed then: what was acknowledged
// is saved, and the new file does not get the old one's write-ahead log.
func TestTheFileIsReplacedAndTheProgramKilled(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "x.plumbline")
	for file, seat := range map[string]string{path: "old", filepath.Join(folder, "other.plumbline"): "new"} {
		s := must(New(file, seat))(t)
		must(s.PutSeat(Seat{Name: seat}, ""))(t)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if said := run(t, "replaced", path); !strings.Contains(said, "was replaced by another file") {
		t.Fatal(said)
	}
	if seats, _ := rescued(t, path); !slices.Equal(seats, []string{"new"}) {
		t.Errorf("the new file has the seats %v", seats)
	}
	if seats, _ := rescued(t, filepath.Join(folder, "x rescued.plumbline")); !slices.Equal(seats, []string{"old", "row 1"}) {
		t.Errorf("saved were the seats %v", seats)
	}
}

// The shelf: a show whose file was replaced can be opened anew, and gives way.
func TestAReplacedShowIsOpenedAnew(t *testing.T) {
	f := must(NewShelf(t.TempDir()))(t)
	defer f.Close()
	s := must(f.New("hall"))(t)
	must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	backup := filepath.Join(f.Dir(), "backup.plumbline")
	if err := s.Copy(backup); err != nil {
		t.Fatal(err)
	}
	must(s.PutSeat(Seat{Name: "row 2"}, ""))(t)
	if err := os.Rename(backup, s.path); err != nil {
		t.Fatal(err)
	}
	_, err := f.Open("hall.plumbline")
	mustBe(t, err, codeGone, "hall rescued.plumbline")
	x := must(f.Current())(t)
	if got := names(t, x); x == s || !slices.Equal(got, []string{"row 1"}) {
		t.Errorf("seats %v", got)
	}
	must(x.PutSeat(Seat{Name: "row 3"}, ""))(t)
	if seats, _ := rescued(t, filepath.Join(f.Dir(), "hall rescued.plumbline")); !slices.Equal(seats, []string{"row 1", "row 2"}) {
		t.Errorf("saved were the seats %v", seats)
	}
}

// A show that was moved while it was open can be opened where it is now.
func TestAMovedShowIsOpenedWhereItIs(t *testing.T) {
	f := must(NewShelf(t.TempDir()))(t)
	defer f.Close()
	s := must(f.New("hall"))(t)
	must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	if err := os.Rename(s.path, filepath.Join(f.Dir(), "club.plumbline")); err != nil {
		t.Fatal(err)
	}
	_, err := f.Open("club.plumbline")
	mustBe(t, err, codeGone, "was deleted or moved")
	x := must(f.Current())(t)
	if got := names(t, x); !slices.Equal(got, []string{"row 1"}) || filepath.Base(x.path) != "club.plumbline" {
		t.Errorf("%s: seats %v", x.path, got)
	}
	must(x.PutSeat(Seat{Name: "row 2"}, ""))(t)
}

// What is in the place of a show that is gone cannot be opened: no show is open
// then, and the refusal says why and where the old one is.
func TestWhatReplacedAShowIsNone(t *testing.T) {
	f := must(NewShelf(t.TempDir()))(t)
	defer f.Close()
	s := must(f.New("hall"))(t)
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.path, []byte("music"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := f.Open("hall.plumbline")
	mustBe(t, err, "not_a_show", "choose another file")
	if !strings.Contains(err.Error(), "hall rescued.plumbline") {
		t.Error(err)
	}
	_, err = f.Current()
	mustBe(t, err, "no_show", "open one")
	must(f.Open("hall rescued.plumbline"))(t)
}

// stemOf is a show's path without its ending.
func stemOf(path string) string {
	stem, _ := Stem(path)
	return stem
}
