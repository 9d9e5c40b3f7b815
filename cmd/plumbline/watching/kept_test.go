package watching

import (
	"strings"
	"testing"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// logged waits for a line of the show's log.
func (p *place) logged(part string) {
	p.t.Helper()
	var entries []show.LogEntry
	for end := time.Now().Add(3 * time.Minute); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		var err error
		if entries, err = p.show.Entries(20, 0); err != nil {
			p.t.Fatal(err)
		}
		for _, e := range entries {
			if strings.Contains(e.Text, part) {
				return
			}
		}
	}
	p.t.Fatalf("the log never says %q: %+v", part, entries)
}

// A watch goes on when the daemon is started again with its show, finds what
// changed meanwhile, and stays ended when somebody ended it.
func TestAWatchGoesOnAfterARestart(t *testing.T) {
	p := newPlace(t)
	h := newHall(1)
	baseline := p.take(h, 16, nil, "main", "fill")
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: baseline}, "c1"); err != nil {
		t.Fatal(err)
	}

	p.run(Config{})
	w := p.until("it has learnt again", listens)
	if !w.Resumed || w.Take != baseline || w.Microphone != 3 || w.SeatName != "row 5" || w.By != "plumbline" {
		t.Errorf("%+v", w)
	}
	p.logged("microphone 3 is watched again, against take 1")
	h.main, h.fill = 0.5*0.7, 0.4*0.7 // −3.1 dB
	if e := p.event(h, 15); e.Kind != "level changed" || e.Take != baseline {
		t.Errorf("%+v", e)
	}

	// Each show has its own watches.
	if _, err := p.shelf.New("another"); err != nil {
		t.Fatal(err)
	}
	limit := time.After(3 * time.Minute)
	for v := (wire.Watches{Watches: make([]wire.Watch, 1)}); len(v.Watches) > 0; {
		select {
		case v = <-p.changed:
		case <-limit:
			t.Fatal("the watch of another show never ended")
		}
	}
	var err error
	if p.show, err = p.shelf.Open("hall.plumbline"); err != nil {
		t.Fatal(err)
	}
	if w := p.until("it goes on", func(wire.Watch) bool { return true }); !w.Resumed || w.Take != baseline {
		t.Errorf("%+v", w)
	}

	if _, err := p.StopWatch(t.Context(), 3, "c1"); err != nil {
		t.Fatal(err)
	}
	p.logged("microphone 3 is not watched any more")
	p.run(Config{})
	if v := <-p.changed; len(v.Watches) != 0 { // what it knows of the show is told once
		t.Errorf("%+v", v)
	}
}

// What no longer fits is said in one sentence, with what to do; and goes on once it fits.
func TestAWatchThatNoLongerFitsSaysWhy(t *testing.T) {
	p := newPlace(t)
	baseline := p.take(newHall(1), 13, nil, "main", "fill")
	if err := p.keep(p.show, put(kept{3, baseline, "device test"}), "kept", "c1"); err != nil {
		t.Fatal(err)
	}
	failed := func(want string) {
		t.Helper()
		w := p.until("it says that it cannot", func(w wire.Watch) bool { return w.State == wire.WatchFailed })
		if !w.Resumed || w.Mark != wire.Attention || w.Text != want || w.Take != baseline {
			t.Errorf("%q\nwant %q", w.Text, want)
		}
		p.logged(want)
	}
	p.run(Config{SampleRateHz: 44100})
	failed("Not watched any more: take 1 was made at 48000 Hz, and 44100 Hz are measured now: let everything play, and take the baseline anew.")
	p.run(Config{Source: "device other"})
	failed("Not watched any more: it was heard through device test, and this is device other: watch it again if it is the same microphone at the same place, or take the baseline anew.")
	p.stop()
	undo, err := p.show.Delete(show.KindTake, baseline, "c1")
	if err != nil {
		t.Fatal(err)
	}
	p.run(Config{})
	failed("Not watched any more: take 1 is deleted: bring it back on the Show page, or choose another baseline.")
	p.stop()
	if err := p.show.Undo(undo, "c1"); err != nil {
		t.Fatal(err)
	}
	p.run(Config{})
	p.until("it has learnt again", listens)
}
