package show

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"plumbline/stream/wire"
)

// codeOf is the code of an error, "" of none.
func codeOf(err error) string {
	var mine *wire.Error
	if errors.As(err, &mine) {
		return mine.Code
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// Many make shows of a few names at once: each name is made once, the others are
// told that it exists, and whoever looks at a file finds a whole show.
func TestShowsAreMadeInParallel(t *testing.T) {
	const names, each = 4, 8
	folder := t.TempDir()
	made := make([]int, names)
	var mu sync.Mutex
	var all sync.WaitGroup
	for i := range names * each {
		all.Go(func() {
			s, err := New(filepath.Join(folder, fmt.Sprintf("%d.plumbline", i%names)), fmt.Sprint("show ", i%names))
			mu.Lock()
			defer mu.Unlock()
			switch codeOf(err) {
			case "":
				made[i%names]++
				if info, err := s.Info(); err != nil || info.Name != fmt.Sprint("show ", i%names) {
					t.Errorf("%+v, %v", info, err)
				}
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			case "exists":
			default:
				t.Error(err)
			}
		})
	}
	stop := make(chan struct{})
	var looking sync.WaitGroup
	looking.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
			}
			files, err := os.ReadDir(folder)
			if err != nil {
				t.Error(err)
				return
			}
			for _, f := range files {
				if f.IsDir() || filepath.Ext(f.Name()) != Extension {
					continue
				}
				if version, err := peek(filepath.Join(folder, f.Name())); err != nil || version != len(migrations) {
					t.Errorf("%s was there half made: version %d, %v", f.Name(), version, err)
				}
			}
		}
	})
	all.Wait()
	close(stop)
	looking.Wait()
	for i, n := range made {
		if n != 1 {
			t.Errorf("show %d was made %d times", i, n)
		}
	}
	left := must(os.ReadDir(folder))(t)
	if len(left) != names {
		t.Errorf("left in the folder: %v", left)
	}
}

// One show is copied to one name by many, and to names of their own: one gets the
// name, and every copy is whole.
func TestShowsAreCopiedInParallel(t *testing.T) {
	s := newShow(t)
	stored := must(s.AddTake(Take{Origin: Measured}, spectraOf(1), audioOf(1, 5000), ""))(t)
	folder := filepath.Dir(s.path)
	var mu sync.Mutex
	var all sync.WaitGroup
	got := 0
	for i := range 12 {
		all.Go(func() {
			file := "same.plumbline"
			if i%3 == 0 {
				file = fmt.Sprintf("own %d.plumbline", i)
			}
			err := s.Copy(filepath.Join(folder, file))
			mu.Lock()
			defer mu.Unlock()
			switch code := codeOf(err); {
			case code == "":
				got++
			case code != "exists" || i%3 == 0:
				t.Error(file, err)
			}
		})
	}
	all.Wait()
	if got != 4+1 {
		t.Errorf("%d copies were made, want 5", got)
	}
	for _, e := range must(List(folder))(t) {
		if e.File == filepath.Base(s.path) {
			continue
		}
		c := must(Open(filepath.Join(folder, e.File)))(t)
		if a, err := c.TakeAudio(stored.ID); err != nil || len(a.Samples) != 10000 {
			t.Errorf("%s: %v", e.File, err)
		}
		c.Close()
	}
}

// Requests open, make, list and use shows of one folder all at once. None is told
// that another plumbline has a show; what was acknowledged is in the show it was
// acknowledged for.
func TestShelfInParallel(t *testing.T) {
	f := must(NewShelf(t.TempDir()))(t)
	for _, name := range []string{"a", "b", "c"} {
		must(f.New(name))(t)
	}
	f.OnChange(func() {})
	type seat struct{ show, name string }
	var mu sync.Mutex
	stored := map[seat]bool{}
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			for k := range 6 {
				var err error
				switch (i + k) % 4 {
				case 0, 1:
					_, err = f.Open([]string{"a.plumbline", "b.plumbline", "c.plumbline"}[(i*7+k)%3])
				case 2:
					_, err = f.List()
				default:
					_, err = f.New("same")
					if codeOf(err) == "exists" {
						err = nil
					}
				}
				if err != nil {
					t.Error(err)
				}
				x, err := f.Current()
				if err != nil {
					t.Error(err)
					continue
				}
				name := fmt.Sprintf("seat %d %d", i, k)
				switch _, err := x.PutSeat(Seat{Name: name}, ""); codeOf(err) {
				case "":
					mu.Lock()
					stored[seat{x.path, name}] = true
					mu.Unlock()
				case "closed": // another one was opened in between
				default:
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	for _, e := range must(f.List())(t) {
		x := must(f.Open(e.File))(t)
		for _, s := range must(x.Seats())(t) {
			delete(stored, seat{x.path, s.Name})
		}
	}
	if len(stored) > 0 {
		t.Errorf("%d seats were acknowledged and are not in their show: %v", len(stored), stored)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
