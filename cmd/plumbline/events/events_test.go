package events

import (
	"context"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture/leak"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

const rate = 100 // of audio that is quickly stored

// heard is what the source has delivered: the sample index is its value.
type heard struct{ end atomic.Uint64 }

func (h *heard) clip(_ context.Context, microphone int, from, to uint64, atOnce bool) (c Clip, all bool, err error) {
	end := h.end.Load()
	if end < to && !atOnce {
		return c, false, nil
	}
	c = Clip{Channels: [2]int{1, microphone}, From: from}
	for n := from; n < min(to, end); n++ {
		c.Samples = append(c.Samples, float32(n), -float32(n))
	}
	return c, end >= to, nil
}

func newKeeper(t *testing.T, shelf *show.Shelf, h *heard) (k *Keeper, changed, posted chan wire.Event) {
	t.Helper()
	changed, posted = make(chan wire.Event, 2*waitMost), make(chan wire.Event, 2*waitMost)
	k, err := New(Config{
		SampleRateHz: rate, Shelf: shelf, Audio: h.clip,
		Changed: func(e wire.Event) { changed <- e }, Post: func(e wire.Event) { posted <- e },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); k.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return k, changed, posted
}

// newHall is an empty show, open on a shelf.
func newHall(t *testing.T) (*show.Shelf, *show.Show) {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	return shelf, x
}

func next(t *testing.T, what string, from <-chan wire.Event) wire.Event {
	t.Helper()
	select {
	case e := <-from:
		return e
	case <-time.After(3 * time.Minute):
		t.Fatalf("never: %s", what)
	}
	return wire.Event{}
}

func flipped() wire.Event {
	return wire.Event{At: "2030-05-04T20:41:12.000Z", Microphone: 3, WatchChange: wire.WatchChange{Kind: "flipped", What: "fill"}, Text: "fill: opposite polarity."}
}

func TestTheAudioAroundAnEventFollows(t *testing.T) {
	shelf, x := newHall(t)
	var h heard
	h.end.Store(2010)
	k, changed, posted := newKeeper(t, shelf, &h)
	k.Add(flipped(), 2000)
	if e := next(t, "it is told", changed); e.ID != 1 || e.Audio.SampleRateHz != 0 {
		t.Errorf("%+v", e)
	}
	if e := next(t, "it is posted", posted); e.ID != 1 {
		t.Errorf("%+v", e)
	}
	h.end.Store(2000 + afterS*rate)
	if e := next(t, "its audio is told", changed); e.Audio != (wire.AudioOf{SampleRateHz: rate, Seconds: beforeS + afterS, EventS: beforeS}) {
		t.Errorf("%+v", e.Audio)
	}
	audio, err := x.EventAudio(1)
	if err != nil || audio.Samples[0] != 2000-beforeS*rate || audio.Samples[1] != -audio.Samples[0] {
		t.Errorf("%v, %v", audio.Samples[:2], err)
	}
	if len(posted) != 0 {
		t.Error("posted twice")
	}
	// Near the start there is less in front.
	k.Add(flipped(), 200)
	next(t, "it is told", changed)
	if e := next(t, "its audio is told", changed); e.Audio != (wire.AudioOf{SampleRateHz: rate, Seconds: 2 + afterS, EventS: 2}) {
		t.Errorf("%+v", e.Audio)
	}
	// Another show is opened before the audio is there: it belongs to neither.
	k.Add(flipped(), 5000)
	next(t, "it is told", changed)
	y, err := shelf.New("another")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := y.AddEvent(flipped()); err != nil {
		t.Fatal(err)
	}
	h.end.Store(9000)
	k.Add(flipped(), 3000) // whose audio comes after it
	next(t, "it is told", changed)
	next(t, "its audio is told", changed)
	if e, err := y.Event(1); err != nil || e.Audio.SampleRateHz != 0 {
		t.Errorf("%+v, %v", e.Audio, err)
	}
	if counts, lost := k.Counts(); counts[Kind{3, "flipped"}] != 4 || lost != 0 {
		t.Errorf("%v, %d lost", counts, lost)
	}
}

// The audio behind an event is waited for, and when the source has ended what
// there is of it is kept.
func TestAudioThatDoesNotComeIsNotWaitedForForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, _ := newHall(t)
		var h heard
		h.end.Store(2010)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		changed := make(chan wire.Event, 10)
		k, err := New(Config{SampleRateHz: rate, Shelf: shelf, Audio: h.clip, Changed: func(e wire.Event) { changed <- e }})
		if err != nil {
			t.Fatal(err)
		}
		go func() { defer close(done); k.Run(ctx) }()
		k.Add(flipped(), 2000)
		<-changed
		time.Sleep(patience) // of the bubble's clock
		synctest.Wait()
		if n := len(changed); n != 0 {
			t.Errorf("%d changes after %v: the end of the audio was not waited for", n, patience)
		}
		time.Sleep(2 * lookEvery)
		synctest.Wait()
		if n := len(changed); n != 1 {
			t.Fatalf("%d changes soon after %v", n, patience)
		}
		if e := <-changed; e.Audio != (wire.AudioOf{SampleRateHz: rate, Seconds: beforeS + 0.1, EventS: beforeS}) {
			t.Errorf("%+v", e.Audio)
		}
		cancel()
		<-done
	})
}

// What was found just before the daemon ends is in the show.
func TestTheLastEventsAreStored(t *testing.T) {
	shelf, x := newHall(t)
	var h heard
	k, err := New(Config{SampleRateHz: rate, Shelf: shelf, Audio: h.clip, Changed: func(wire.Event) {}})
	if err != nil {
		t.Fatal(err)
	}
	for range 10 {
		k.Add(flipped(), 2000)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	k.Run(ended)
	if list, err := x.Events(100, 0); err != nil || len(list) != 10 {
		t.Errorf("%d events, %v", len(list), err)
	}
}

func TestWithoutAShowEventsAreTold(t *testing.T) {
	k, changed, posted := newKeeper(t, nil, &heard{})
	k.Add(flipped(), 2000)
	if e := next(t, "it is told", changed); e.ID != 0 || e.Kind != "flipped" {
		t.Errorf("%+v", e)
	}
	next(t, "it is posted", posted)
}

// While the show's file is away events are told of as ever, and stored when it is
// back, with the audio around them, in their order and once.
func TestEventsWaitForTheShow(t *testing.T) {
	shelf, x := newHall(t)
	var h heard
	h.end.Store(9000)
	k, changed, posted := newKeeper(t, shelf, &h)
	aside := x.Path() + ".aside"
	if err := os.Rename(x.Path(), aside); err != nil {
		t.Fatal(err)
	}
	for _, sample := range []uint64{2000, 3000} {
		k.Add(flipped(), sample)
		if e := next(t, "it is told", changed); e.ID != 0 {
			t.Errorf("stored in a file that is not there: %+v", e)
		}
		next(t, "it is posted", posted)
	}
	if err := os.Rename(aside, x.Path()); err != nil {
		t.Fatal(err)
	}
	ids := map[int64]int{}
	for range 4 { // each once when it is stored, and once with its audio
		e := next(t, "it is stored", changed)
		ids[e.ID]++
	}
	if ids[1] != 2 || ids[2] != 2 {
		t.Errorf("told of %v", ids)
	}
	for id, first := range map[int64]float32{1: 2000 - beforeS*rate, 2: 3000 - beforeS*rate} {
		if a, err := x.EventAudio(id); err != nil || a == nil || a.Samples[0] != first {
			t.Errorf("the audio of event %d: %v", id, err)
		}
	}
	if list, err := x.Events(10, 0); err != nil || len(list) != 2 || len(posted) != 0 {
		t.Errorf("%d events, %d more posted: %v", len(list), len(posted), err)
	}
}

// Audio is kept as far as there is room for it, and none when that is switched off: the
// events themselves are stored all the same, and nothing that is kept goes for it.
func TestAudioUpToALimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, x := newHall(t)
		defer shelf.Close()
		var h heard
		h.end.Store(9000)
		k, changed, posted := newKeeper(t, shelf, &h)
		const one = (beforeS + afterS) * rate * 8 // bytes
		found := func(sample uint64) (kept bool) {
			t.Helper()
			k.Add(flipped(), sample)
			e := next(t, "it is told", changed)
			next(t, "it is posted", posted)
			time.Sleep(2 * lookEvery) // of the bubble
			synctest.Wait()
			for len(changed) > 0 {
				<-changed
			}
			a, err := x.EventAudio(e.ID)
			if e.ID == 0 || err != nil {
				t.Fatalf("event %d: %v", e.ID, err)
			}
			return a != nil
		}
		most := func(bytes int64) {
			t.Helper()
			if err := x.SetEventAudioMost(bytes, "c1"); err != nil {
				t.Fatal(err)
			}
		}
		most(one + one/2)
		if !found(2000) || found(3000) {
			t.Error("the first fits, the second does not")
		}
		most(2 * one)
		if !found(4000) || found(5000) {
			t.Error("with more room another fits, and no third")
		}
		most(0)
		if found(6000) {
			t.Error("kept although it is switched off")
		}
		if list, err := x.Events(10, 0); err != nil || len(list) != 5 {
			t.Errorf("%d events, %v", len(list), err)
		}
		if a, err := x.EventAudio(1); err != nil || a == nil {
			t.Errorf("the first is gone: %v", err)
		}
	})
}
