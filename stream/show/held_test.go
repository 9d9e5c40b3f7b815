package show

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// run has another process do something with a show, and returns what it says.
func run(t *testing.T, part, path string) string {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), childEnv+"="+path, partEnv+"="+part)
	out, err := c.Output()
	if _, ended := err.(*exec.ExitError); err != nil && !ended {
		t.Fatal(err)
	}
	said, _, _ := strings.Cut(string(out), "\n")
	return said
}

// Whatever this process does beside an open show, no other process gets it. (The
// system drops a process's locks on a file when the process closes any descriptor
// of it: IEEE Std 1003.1, fcntl.)
func TestNobodyElseGetsAnOpenShow(t *testing.T) {
	s := newShow(t)
	folder := filepath.Dir(s.path)
	link := filepath.Join(folder, "link.plumbline")
	if err := os.Link(s.path, link); err != nil {
		t.Skip("no links here: ", err)
	}
	// A lock that is lost once does not come back, so that one look at the end is enough.
	must(List(folder))(t)
	Open(s.path)
	Open(link)
	New(s.path, "x")
	s.Copy(s.path)
	if err := s.Copy(filepath.Join(folder, "copy.plumbline")); err != nil {
		t.Fatal(err)
	}
	must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	if said := run(t, "open", s.path); !strings.Contains(said, "open in another plumbline") {
		t.Errorf("another process is told %q", said)
	}
	must(s.PutSeat(Seat{Name: "row 2"}, ""))(t) // it is still ours
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if said := run(t, "open", s.path); said != "<nil>" {
		t.Errorf("after it was closed another process is told %q", said)
	}
}

// Drafts that a kill left behind go when the folder is used again; those that
// may be in the making stay.
func TestDraftsAreSwept(t *testing.T) {
	folder := t.TempDir()
	old, young := filepath.Join(folder, draftPrefix+"1"), filepath.Join(folder, draftPrefix+"2")
	for _, d := range []string{old, young} {
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(d, "draft.plumbline"), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-2 * draftsKept)
	if err := os.Chtimes(old, long, long); err != nil {
		t.Fatal(err)
	}
	must(NewShelf(folder))(t)
	if _, err := os.Stat(old); !os.IsNotExist(err) {
		t.Error("what was left behind is still there")
	}
	if _, err := os.Stat(filepath.Join(young, "draft.plumbline")); err != nil {
		t.Error(err)
	}
}
