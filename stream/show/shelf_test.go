package show

import "testing"

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
		"afternoon": "afternoon.show", "../x": "x.show", "/etc/hosts": "etc-hosts.show", "..": "show.show",
		".hidden": "hidden.show", "-rf ": "rf.show", "a/b\\c:d": "a-b-c-d.show", "Größe 2, früh": "Größe 2, früh.show",
	} {
		if got := fileName(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}
