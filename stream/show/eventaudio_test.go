package show

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"plumbline/stream/wire"
)

// loud stores an event with audio of that many frames around it.
func loud(t *testing.T, s *Show, frames int) wire.Event {
	t.Helper()
	e := must(s.AddEvent(wire.Event{At: "2030-05-04T20:41:07.000Z", OnsetAt: "2030-05-04T20:41:05.000Z", Microphone: 2, Text: "fill: opposite polarity.",
		WatchChange: wire.WatchChange{Kind: "flipped", What: "fill"}, Certainty: wire.Sure, Mark: wire.Act}))(t)
	audio := &Audio{SampleRateHz: 48000, Channels: []int{1, 2}, Samples: make([]float32, 2*frames)}
	for i := range audio.Samples {
		audio.Samples[i] = float32(e.ID) + float32(i)/1e7
	}
	return must(s.AddEventAudio(e.ID, audio, 0.5))(t)
}

func fileSize(t *testing.T, s *Show) int64 {
	t.Helper()
	s.settle()
	info, err := os.Stat(s.path)
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

// The audio around events can be deleted, brought back until the show is opened
// again, and then its space is given back. The events stay as they were.
func TestEventAudioIsDeletedAndFreed(t *testing.T) {
	const frames = 200000
	s := newShow(t)
	var events []wire.Event
	for range 3 {
		events = append(events, loud(t, s, frames))
	}
	sizes := func(kept, deleted int64) {
		t.Helper()
		if i := must(s.Info())(t); i.EventAudioBytes != kept*frames*8 || i.DeletedAudioBytes != deleted*frames*8 {
			t.Errorf("%d bytes are kept and %d deleted, want those of %d and %d events", i.EventAudioBytes, i.DeletedAudioBytes, kept, deleted)
		}
	}
	sizes(3, 0)
	one := must(s.DeleteEventAudio(events[0].ID, "c1"))(t)
	sizes(2, 1)
	e := must(s.Event(events[0].ID))(t)
	if want := (wire.AudioOf{Undo: one}); e.Audio != want || e.Text != events[0].Text || e.Kind != "flipped" {
		t.Errorf("%+v", e)
	}
	if a := must(s.EventAudio(e.ID))(t); a != nil {
		t.Error("deleted audio is played")
	}
	_, err := s.DeleteEventAudio(events[0].ID, "c1")
	mustBe(t, err, "no_audio", "of event 1")
	all := must(s.DeleteEventAudio(0, "c1"))(t)
	sizes(0, 3)
	_, err = s.DeleteEventAudio(0, "c1")
	mustBe(t, err, "no_audio", "of any event")
	if err := s.Undo(all, "c2"); err != nil {
		t.Fatal(err)
	}
	sizes(2, 1)
	if err := s.Undo(one, "c2"); err != nil {
		t.Fatal(err)
	}
	mustBe(t, s.Undo(one, "c2"), "undone", "already")
	sizes(3, 0)
	if got := must(s.Event(events[0].ID))(t); fmt.Sprint(got) != fmt.Sprint(events[0]) {
		t.Errorf("it came back as %+v, was %+v", got, events[0])
	}

	keep, err := s.EventAudio(events[2].ID)
	if err != nil {
		t.Fatal(err)
	}
	full := fileSize(t, s)
	must(s.DeleteEventAudio(events[0].ID, "c1"))(t)
	late := must(s.DeleteEventAudio(events[1].ID, "c1"))(t)
	s = reopen(t, s)
	sizes(1, 0)
	mustBe(t, s.Undo(late, "c1"), "gone", "opened again")
	if now := fileSize(t, s); full-now < 2*frames*8*9/10 {
		t.Errorf("the file has %d bytes, had %d: nothing was given back", now, full)
	}
	list := must(s.Events(10, 0))(t)
	if len(list) != 3 || list[2].Text != events[0].Text || list[2].Audio != (wire.AudioOf{}) || list[0].Audio != events[2].Audio {
		t.Errorf("%+v", list)
	}
	if again := must(s.EventAudio(events[2].ID))(t); fmt.Sprint(again.Samples[:100]) != fmt.Sprint(keep.Samples[:100]) || len(again.Samples) != len(keep.Samples) {
		t.Error("the audio that was kept has changed")
	}
	if log := must(s.Entries(1, 0))(t); log[0].Text != "gave back the space of the deleted audio around 2 events, 3.2 MB" {
		t.Errorf("%+v", log[0])
	}
	s = reopen(t, s)
	sizes(1, 0)
}

// A show of the version before opens, with all it had.
func TestAnOlderShowLearnsToDeleteEventAudio(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.plumbline")
	db, err := sql.Open("sqlite", dsn(path))
	if err != nil {
		t.Fatal(err)
	}
	if err := migrate(db, migrations[:2]); err != nil {
		t.Fatal(err)
	}
	for _, step := range []string{
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		"INSERT INTO meta VALUES ('name', 'old'), ('made_ms', '1')",
		`INSERT INTO events (at_ms, body, audio_rate_hz, audio_frames, audio_event_s) VALUES (1, '{"text":"old"}', 48000, 24000, 0.25)`,
	} {
		if _, err := db.Exec(step); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if i := must(s.Info())(t); i.Version != len(migrations) || i.EventAudioBytes != 24000*8 {
		t.Errorf("%+v", i)
	}
	if e := must(s.Event(1))(t); e.Text != "old" || e.Audio != (wire.AudioOf{SampleRateHz: 48000, Seconds: 0.5, EventS: 0.25}) {
		t.Errorf("%+v", e)
	}
}

// How much is kept can be chosen, goes with the show, and may be none; what a show from
// elsewhere says wrongly is as if nobody chose.
func TestEventAudioHasALimit(t *testing.T) {
	s := newShow(t)
	most := func(want int64) {
		t.Helper()
		if i := must(s.Info())(t); i.EventAudioMostBytes != want {
			t.Errorf("up to %d bytes are kept, want %d", i.EventAudioMostBytes, want)
		}
	}
	most(DefaultEventAudio)
	mustBe(t, s.SetEventAudioMost(-1, "c1"), "most_bytes", "not -1")
	for _, bytes := range []int64{300e6, 0, 20000} {
		if err := s.SetEventAudioMost(bytes, "c1"); err != nil {
			t.Fatal(err)
		}
		if log := must(s.Entries(1, 0))(t); bytes == 300e6 && log[0].Text != "audio around events is kept up to 300 MB" || bytes == 0 && log[0].Text != "no audio is kept around events any more" {
			t.Errorf("%+v", log[0])
		}
		s = reopen(t, s)
		most(bytes)
	}
	for _, c := range []struct {
		frames int
		fits   bool
	}{{2500, true}, {2501, false}} { // eight bytes each
		if fits := must(s.EventAudioFits(c.frames))(t); fits != c.fits {
			t.Errorf("%d frames fit: %v", c.frames, fits)
		}
	}
	for _, text := range []string{"{", `{"most_bytes":-5}`, `{"most_bytes":"much"}`} {
		if _, err := s.db.Exec("UPDATE meta SET value = ? WHERE key = 'setting event audio'", text); err != nil {
			t.Fatal(err)
		}
		most(DefaultEventAudio)
	}
}
