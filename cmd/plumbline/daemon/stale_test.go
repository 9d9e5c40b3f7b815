package daemon

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// What was heard before the device went is not stored as what is heard now, at
// whatever seat the microphone is by then: not on demand, not by force, not to
// verify a plan. It goes on when the device is back, with the new sound only.
func TestNoTakeOfOldSound(t *testing.T) {
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"main", "fill"} {
		if _, err := x.PutLoudspeaker(show.Loudspeaker{Name: name}, "test"); err != nil {
			t.Fatal(err)
		}
	}
	var seats [2]show.Seat
	for i, name := range []string{"row 5", "row 12"} {
		if seats[i], err = x.PutSeat(show.Seat{Name: name}, "test"); err != nil {
			t.Fatal(err)
		}
	}
	began := time.Date(2030, 5, 4, 20, 41, 7, 0, time.Local)
	var passed atomic.Int64
	src := newStage()
	d, url := daemonUnderTest(t, Config{Source: src, Shelf: shelf, Now: func() time.Time { return began.Add(time.Duration(passed.Load())) }})
	h := &hall{t: t, d: d, url: url, shelf: shelf}
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections() })

	take := func(seat int, force bool) (show.Take, int, string) {
		var made show.Take
		status, text := h.do("POST", "/api/v1/show/takes", "c1", map[string]any{"seat": seats[seat].ID, "playing": []string{"main"}, "force": force}, &made)
		return made, status, text
	}
	refused := func(what, want string) {
		t.Helper()
		for _, force := range []bool{false, true} {
			if _, status, text := take(1, force); status != http.StatusConflict || !strings.Contains(text, `"code":"no_sound"`) || !strings.Contains(text, want) {
				t.Errorf("%s: %d %s, want %q", what, status, text, want)
			}
		}
		_, err := d.survey.VerifyByHand(t.Context(), wire.VerifyRequest{Plan: 1, Seats: wire.Seats{Seat: seats[1].ID}}, "main", "fill", "c1")
		var mine *stream.Error
		if !errors.As(err, &mine) || mine.Code != "no_sound" || !strings.Contains(mine.Text, want) {
			t.Errorf("%s: verified by hand: %v", what, err)
		}
		if takes, err := x.Takes(show.Filter{}); err != nil || len(takes) != 1 {
			t.Errorf("%s: %d takes are stored, want the one of before: %v", what, len(takes), err)
		}
	}

	if _, _, text := take(0, false); !strings.Contains(text, "No sound yet") {
		t.Errorf("before the first sound: %s", text)
	}
	src.play(t, d, 6)
	if _, status, text := take(0, false); status != http.StatusOK {
		t.Fatalf("%d %s", status, text)
	}

	passed.Add(int64(25 * time.Second))
	refused("nothing arrives any more", "No sound since 20:41:07: nothing arrives. The take was not stored.")
	for state, want := range map[capture.State]string{
		capture.Lost:    "No sound since 20:41:07: the device is gone. The take was not stored.",
		capture.Stalled: "No sound since 20:41:07: the device delivers nothing. The take was not stored.",
	} {
		src.status.Store(&capture.Status{State: state})
		refused(state.String(), want)
	}
	passed.Add(-int64(25 * time.Second)) // it has just gone
	src.status.Store(&capture.Status{State: capture.Lost})
	refused("just gone", "the device is gone")

	// It is back: what was lost lies between the old sound and the new.
	passed.Add(int64(25 * time.Second))
	src.status.Store(&capture.Status{State: capture.Running})
	src.marks <- capture.Gap{Cause: capture.Reopened, LostFrames: 25 * scriptRate}
	src.play(t, d, 1)
	if _, status, text := take(1, false); status != http.StatusConflict || !strings.Contains(text, "only 1.0 s were heard") {
		t.Errorf("a second after it came back: %d %s", status, text)
	}
	src.play(t, d, 4)
	made, status, text := take(1, false)
	if status != http.StatusOK || made.Audio.Frames > 5*scriptRate {
		t.Fatalf("back for five seconds: %d %s", status, text)
	}

	// Asked for more than there is since: it says so.
	var short show.Take
	h.must("POST", "/api/v1/show/takes", "c1", map[string]any{"playing": []string{"main"}, "audio_s": 10}, &short)
	if want := "5.0 s of the 10 s asked for"; !strings.Contains(short.Note, want) {
		t.Errorf("noted %q, want %q", short.Note, want)
	}
	// Held: the pages show one thing, the take is of another.
	held := true
	if _, err := d.Change(t.Context(), stream.SettingsPatch{Hold: &held}, "c1"); err != nil {
		t.Fatal(err)
	}
	src.play(t, d, 3)
	h.must("POST", "/api/v1/show/takes", "c1", map[string]any{"playing": []string{"main"}}, &short)
	if want := "the pages were held"; !strings.Contains(short.Note, want) {
		t.Errorf("noted %q, want %q", short.Note, want)
	}
}

// A file that has been played to its end is heard no more.
func TestNoTakeBehindTheEnd(t *testing.T) {
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	if _, err := shelf.New("hall"); err != nil {
		t.Fatal(err)
	}
	s := newScript()
	now := time.Now()
	d, url := daemonUnderTest(t, Config{Source: s, Microphones: []int{2}, Shelf: shelf, Now: func() time.Time { return now }})
	h := &hall{t: t, d: d, url: url, shelf: shelf}
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections() })
	s.play(t, 6)
	s.end <- nil
	eventually(t, "the source to end", func() bool { return d.State().Source.State == "ended" })
	if status, text := h.do("POST", "/api/v1/show/takes", "c1", map[string]any{}, nil); status != http.StatusConflict || !strings.Contains(text, "the device has ended. The take was not stored.") {
		t.Errorf("%d %s", status, text)
	}
}

// A source that has given its last samples has not ended before they are heard: who
// waits for its end, and stops the daemon then, has them all in the recording.
func TestTheEndIsHeardBeforeItIsSaid(t *testing.T) {
	s := newScript()
	s.status.Store(&capture.Status{State: capture.Ended})
	d, err := New(Config{Source: s})
	if err != nil {
		t.Fatal(err)
	}
	d.ring.Write(make([]float32, 3*480))
	d.ring.Close()
	if state := d.State().Source.State; state != "running" {
		t.Errorf("its last samples wait: %s, want running", state)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); d.pump.run(ctx, make(chan error)) }()
	eventually(t, "the source to end", func() bool { return d.State().Source.State == "ended" })
	cancel()
	<-done
	if d.pump.sample != 480 {
		t.Errorf("%d samples were heard, want 480", d.pump.sample)
	}
}
