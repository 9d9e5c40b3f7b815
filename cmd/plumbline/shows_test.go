package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/capture/rig"
	"plumbline/stream/show"
)

// A show is made where it was asked for, furnished once, and found again; a
// fresh one is gone with the program.
func TestOpenShelf(t *testing.T) {
	path := filepath.Join(t.TempDir(), "hall")
	for range 2 {
		shelf, end, err := openShelf(path, true)
		if err != nil {
			t.Fatal(err)
		}
		if err := furnish(shelf, rig.Demo()); err != nil {
			t.Fatal(err)
		}
		x, err := shelf.Current()
		if err != nil {
			t.Fatal(err)
		}
		if i, err := x.Info(); err != nil || i.Name != "hall" || i.Loudspeakers != 2 || i.Seats != 1 {
			t.Errorf("%+v, %v", i, err)
		}
		if _, _, err := openShelf(path, true); err == nil || !strings.Contains(err.Error(), "open in another") {
			t.Errorf("two open one show: %v", err)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(path + show.Extension); err != nil {
		t.Error(err)
	}

	shelf, end, err := openShelf("", true)
	if err != nil {
		t.Fatal(err)
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(shelf.Dir()); !os.IsNotExist(err) {
		t.Errorf("the fresh show was left behind: %v", err)
	}

	shelf, end, err = openShelf("", false)
	if err != nil {
		t.Fatal(err)
	}
	defer end()
	if _, err := shelf.Current(); err == nil || shelf.Dir() != filepath.Join(os.Getenv("XDG_DATA_HOME"), "plumbline", "shows") {
		t.Errorf("a show is open in %s: %v", shelf.Dir(), err)
	}

	notAShow := filepath.Join(t.TempDir(), "x.plumbline")
	if err := os.WriteFile(notAShow, []byte("music"), 0o600); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]string{"x.wav": "ends in .plumbline", notAShow: "no plumbline show"} {
		if _, _, err := openShelf(file, false); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", file, err)
		}
	}
	if text, err := os.ReadFile(notAShow); err != nil || string(text) != "music" {
		t.Errorf("what was no show was touched: %q", text)
	}
}

// A daemon that cannot start leaves no show behind, whatever it is that fails, and
// waits for no pipe.
func TestNoShowIsLeftBehind(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	inFolder(t, map[string][]byte{"there.wav": wav16(2, 48000, 480)})
	if err := pipe("pipe.plumbline"); err != nil {
		t.Skip("no named pipes here: ", err)
	}
	for args, want := range map[string]string{
		"demo --show hall.plumbline --listen " + l.Addr().String():                   "is taken",
		"serve --rig demo --show hall.plumbline --listen " + l.Addr().String():       "is taken",
		"demo --show hall.plumbline --listen 127.0.0.1:0 --record there.wav":         "it exists",
		"demo --show hall.plumbline --listen 127.0.0.1:0 --record nowhere/there.wav": "nowhere",
		"demo --show hall.plumbline --listen 127.0.0.1:0 --calibration none.wav=94":  "none.wav",
		"demo --show pipe.plumbline --listen 127.0.0.1:0":                            "is no file",
		"demo --show hall\x1b[2J.plumbline --listen 127.0.0.1:0":                     "plain text on one line",
	} {
		refused(t, plumbline(t, strings.Fields(args)...), want)
		files, err := os.ReadDir(".")
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, f := range files {
			names = append(names, f.Name())
		}
		if got := strings.Join(names, " "); got != "pipe.plumbline there.wav" {
			t.Errorf("%s leaves %s", args, got)
			os.Remove("hall.plumbline")
		}
	}
}

// A second plumbline on the same port, or the same show, is told so in one line and leaves
// nothing behind; the first goes on.
func TestASecondPlumblineIsToldWhatIsTaken(t *testing.T) {
	folder := t.TempDir()
	first := start(t, "demo", "--empty", "--listen", "127.0.0.1:0", "--show", filepath.Join(folder, "hall"))
	address := strings.TrimPrefix(first.url, "http://")
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"demo", "--listen", address, "--show", filepath.Join(folder, "other"), "--record", filepath.Join(folder, "other.wav")}, "port " + port + " is taken, perhaps by another plumbline: end that, or try --listen 127.0.0.1:0"},
		{[]string{"demo", "--listen", "127.0.0.1:0", "--show", filepath.Join(folder, "hall"), "--record", filepath.Join(folder, "other.wav")}, "hall.plumbline is open in another plumbline: end that one, or work on a copy"},
	} {
		if o := plumbline(t, c.args...); o.code != exitBadInput || o.stdout != "" || !oneLineWith(o.stderr, c.want) {
			t.Errorf("exit status %d, stdout %q, stderr %q; want %q", o.code, o.stdout, o.stderr, c.want)
		}
	}
	if left, err := filepath.Glob(filepath.Join(folder, "other*")); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	first.awaitFirstFrame(t)
	if o := first.stop(); o.code != exitDone {
		t.Errorf("the first: exit status %d, %s", o.code, o.stderr)
	}
}
