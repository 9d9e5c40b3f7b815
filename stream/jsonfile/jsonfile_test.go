package jsonfile

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture/leak"
)

func TestMain(m *testing.M) { leak.Strict(m) }

type tally struct {
	N     int      `json:"n"`
	Names []string `json:"names"`
}

// Programs that change it at the same moment lose nothing, and leave nothing beside it; it
// is its owner's alone.
func TestManyAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "plumbline", "tally.json")
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if err := (File[tally]{Path: path}).Change(func(v *tally) error { v.N++; return nil }); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	v, err := (File[tally]{Path: path}).Read()
	if err != nil || v.N != 20 {
		t.Errorf("%+v, %v", v, err)
	}
	files, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(files) != 1 {
		t.Errorf("%v, %v", files, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
}

// What cannot be read, or is refused, stays as it is.
func TestNothingIsReplacedByHalf(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tally.json")
	odd := errors.New("an odd number")
	f := File[tally]{Path: path, Cure: "count again", Check: func(v *tally) error {
		if v.N%2 != 0 {
			return odd
		}
		return nil
	}}
	if v, err := f.Read(); err != nil || v.N != 0 {
		t.Errorf("none yet: %+v, %v", v, err)
	}
	for _, text := range []string{"{", `{"n":1,"names":["a"]}`} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if v, err := f.Read(); err == nil || v.N != 0 || !strings.Contains(err.Error(), "tally.json is damaged: count again (") {
			t.Errorf("%s: %+v, %v", text, v, err)
		}
		if err := f.Change(func(v *tally) error { v.N = 2; return nil }); err == nil {
			t.Errorf("%s: changed", text)
		}
		if now, err := os.ReadFile(path); err != nil || string(now) != text {
			t.Errorf("%s is %s, %v", text, now, err)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := f.Change(func(*tally) error { return odd }); !errors.Is(err, odd) {
		t.Error(err)
	}
	if files, err := os.ReadDir(filepath.Dir(path)); err != nil || len(files) != 0 {
		t.Errorf("a refusal left %v, %v", files, err)
	}
}

// Who was cut off in the middle of a change holds nobody up.
func TestALockThatWasLeftBehind(t *testing.T) {
	f := File[tally]{Path: filepath.Join(t.TempDir(), "tally.json")}
	if err := os.WriteFile(f.Path+".lock", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-2 * stale)
	if err := os.Chtimes(f.Path+".lock", old, old); err != nil {
		t.Fatal(err)
	}
	if err := f.Change(func(v *tally) error { v.N = 1; return nil }); err != nil {
		t.Error(err)
	}
	// Who is in the middle of one is waited for, and then named.
	if err := os.WriteFile(f.Path+".lock", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		if err := f.Change(func(*tally) error { return nil }); err == nil || !strings.Contains(err.Error(), "another plumbline changes ") {
			t.Error(err)
		}
	})
}
