package daemon

import (
	"math"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// The show's file is moved away under the running daemon: a take is refused in
// words that say where the rest is, the level log says that it waits; when the
// file is back both go on, and no second of the log is missing.
func TestTheShowsFileIsAwayForAWhile(t *testing.T) {
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now() // however long this machine takes, what was played is of now
	src := newStage()
	d, url := daemonUnderTest(t, Config{Source: src, Shelf: shelf, Now: func() time.Time { return now }})
	h := &hall{t: t, d: d, url: url, shelf: shelf}
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections() })
	logging := func(state string) (l wire.LevelLog) {
		t.Helper()
		eventually(t, "the level log is "+state, func() bool {
			var v wire.SoundLevels
			h.must("GET", "/api/v1/levels", "c1", nil, &v)
			l = v.Log
			return l.State == state && (state != wire.LogWriting || l.Waiting == 0)
		})
		return l
	}

	src.play(t, d, 6)
	h.must("POST", "/api/v1/show/takes", "c1", map[string]any{"name": "before"}, nil)
	logging(wire.LogWriting)
	aside := x.Path() + ".aside"
	if err := os.Rename(x.Path(), aside); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		status, text := h.do("POST", "/api/v1/show/takes", "c1", map[string]any{"name": "meanwhile"}, nil)
		for _, want := range []string{`"code":"show_gone"`, "was deleted or moved while it was open: this was not stored.", "hall rescued.plumbline: open that, or put the file back"} {
			if status != http.StatusConflict || !strings.Contains(text, want) {
				t.Errorf("%d %s, want %q", status, text, want)
			}
		}
	}
	src.play(t, d, 3)
	if l := logging(wire.LogFailed); !strings.Contains(l.Text, "Levels are not being logged: ") || !strings.Contains(l.Text, "was deleted or moved") {
		t.Errorf("%+v", l)
	}
	if err := os.Rename(aside, x.Path()); err != nil {
		t.Fatal(err)
	}
	h.must("POST", "/api/v1/show/takes", "c1", map[string]any{"name": "after"}, nil)
	src.play(t, d, 2)
	logging(wire.LogWriting)

	takes, err := x.Takes(show.Filter{})
	if err != nil || len(takes) != 2 || takes[0].Name != "before" || takes[1].Name != "after" {
		t.Errorf("%d takes: %v", len(takes), err)
	}
	var samples []uint64                                            // they come faster than the clock goes, and so in no order
	eventually(t, "the level log holds every second", func() bool { // the meters may be a row behind
		samples = samples[:0]
		err := x.EachLevel(2, 0, math.MaxInt64, func(r *show.LevelRow) { samples = append(samples, r.Sample) })
		return err == nil && len(samples) >= 11
	})
	if len(samples) != 11 {
		t.Errorf("%d rows of 11 s", len(samples))
	}
	slices.Sort(samples)
	for i, sample := range samples {
		if want := uint64(i+1) * scriptRate; sample != want {
			t.Errorf("row %d ends at sample %d, want %d", i+1, sample, want)
		}
	}
}
