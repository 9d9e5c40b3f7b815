package show

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"

	"plumbline/stream/wire"
)

// AddEvent stores an event of the watch and enters it into the log. Its ID is set.
func (s *Show) AddEvent(e wire.Event) (wire.Event, error) {
	err := s.write(func(tx *sql.Tx) error {
		result, err := tx.Exec("INSERT INTO events (at_ms, body) VALUES (?, ?)", asTime{&e.At}, asJSON{e})
		if err != nil {
			return err
		}
		if e.ID, err = result.LastInsertId(); err != nil {
			return err
		}
		_, err = s.log(tx, "plumbline", "event", "", e.ID, e.Text)
		return err
	})
	return e, err
}

// AddEventAudio stores the audio around an event, exactly as it was captured;
// eventS is where in it the event was found.
func (s *Show) AddEventAudio(id int64, audio *Audio, eventS float64) (wire.Event, error) {
	if audio.SampleRateHz <= 0 || len(audio.Channels) != 2 || len(audio.Samples)%2 != 0 {
		return wire.Event{}, refuse(0, "audio", "the audio of an event needs a rate and two channels")
	}
	err := s.write(func(tx *sql.Tx) error {
		result, err := tx.Exec("UPDATE events SET audio_rate_hz = ?, audio_frames = ?, audio_event_s = ? WHERE id = ?",
			audio.SampleRateHz, len(audio.Samples)/2, eventS, id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return orNoEvent(err, id)
		}
		return packParts(tx, "event_audio", id, audio.Samples)
	})
	if err != nil {
		return wire.Event{}, err
	}
	s.settle()
	return s.Event(id)
}

// EventAudio reads that audio: reference and microphone, interleaved; nil if
// none is kept.
func (s *Show) EventAudio(id int64) (*Audio, error) {
	e, err := s.Event(id)
	if err != nil || e.Audio.SampleRateHz == 0 {
		return nil, err
	}
	a := &Audio{SampleRateHz: e.Audio.SampleRateHz, Channels: []int{0, e.Microphone}}
	a.Samples, err = s.readParts("event_audio", "event", id, int64(math.Round(e.Audio.Seconds*float64(e.Audio.SampleRateHz)))*2)
	if isDamage(err) {
		return nil, damaged(s.path, "the audio around event %d is damaged: the event itself can be read", id)
	}
	if err != nil {
		return nil, explain(s.path, err)
	}
	return a, nil
}

// Events reads the newest n events, the newest first; before limits them to
// older ones, 0 does not.
func (s *Show) Events(n int, before int64) ([]wire.Event, error) {
	return s.events("WHERE ?1 = 0 OR id < ?1 ORDER BY id DESC LIMIT ?2", before, n)
}

// Event reads one.
func (s *Show) Event(id int64) (wire.Event, error) {
	list, err := s.events("WHERE id = ?", id)
	if err == nil && len(list) == 0 {
		err = orNoEvent(nil, id)
	}
	if err != nil {
		return wire.Event{}, err
	}
	return list[0], nil
}

func orNoEvent(err error, id int64) error {
	if err != nil {
		return err
	}
	return refuse(http.StatusNotFound, "not_found", "there is no event %d in this show", id)
}

func (s *Show) events(where string, args ...any) ([]wire.Event, error) {
	rows, err := s.db.Query("SELECT id, at_ms, body, audio_rate_hz, audio_frames, audio_event_s, coalesce(audio_deleted, 0), acknowledged_by, acknowledged_ms, comment FROM events "+where, args...)
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	list := []wire.Event{}
	for rows.Next() {
		var e wire.Event
		var body string
		var id, at, frames, acknowledged int64
		var audio wire.AudioOf
		var by, comment string
		if err := rows.Scan(&id, &at, &body, &audio.SampleRateHz, &frames, &audio.EventS, &audio.Undo, &by, &acknowledged, &comment); err != nil {
			return nil, explain(s.path, err)
		}
		if err := json.Unmarshal([]byte(body), &e); err != nil { // the others can be read
			e = damagedEvent(id, at)
		}
		if audio.Undo != 0 {
			audio = wire.AudioOf{Undo: audio.Undo}
		}
		if audio.SampleRateHz > 0 {
			audio.Seconds = float64(frames) / float64(audio.SampleRateHz)
		}
		e.ID, e.Audio, e.Comment = id, audio, comment
		if acknowledged != 0 {
			e.Acknowledged, e.AcknowledgedBy, e.AcknowledgedAt = true, by, stamp(acknowledged)
		}
		list = append(list, e)
	}
	return list, explain(s.path, rows.Err())
}

func damagedEvent(id, atMs int64) wire.Event {
	unknown := wire.Unknown()
	return wire.Event{
		At: stamp(atMs), OnsetAt: stamp(atMs), Text: fmt.Sprintf("What was noted of event %d is damaged: see a backup of the show.", id),
		WatchChange: wire.WatchChange{LowHz: unknown, HighHz: unknown, ChangeDB: unknown, ShiftMs: unknown},
		Confidence:  unknown, Certainty: wire.CannotTell, Mark: wire.Attention,
	}
}

// AcknowledgeEvents acknowledges all events that are not, at once, and returns them as they
// are then, the newest first.
func (s *Show) AcknowledgeEvents(by string) ([]wire.Event, error) {
	var changed []int64
	err := s.write(func(tx *sql.Tx) error {
		rows, err := tx.Query("UPDATE events SET acknowledged_by = ?, acknowledged_ms = ? WHERE acknowledged_ms = 0 RETURNING id", by, s.now().UnixMilli())
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return err
			}
			changed = append(changed, id)
		}
		if err := rows.Err(); err != nil || len(changed) == 0 {
			return err
		}
		_, err = s.log(tx, by, "change", "", 0, fmt.Sprintf("acknowledged %d events", len(changed)))
		return err
	})
	if err != nil {
		return nil, err
	}
	slices.Sort(changed)
	slices.Reverse(changed)
	list := make([]wire.Event, len(changed))
	for i, id := range changed {
		if list[i], err = s.Event(id); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// ChangeEvent acknowledges an event or comments on it.
func (s *Show) ChangeEvent(id int64, p wire.EventPatch, by string) (wire.Event, error) {
	if p.Comment != nil {
		if err := checkText("comment", *p.Comment); err != nil {
			return wire.Event{}, err
		}
	}
	e, err := s.Event(id)
	if err != nil {
		return e, err
	}
	err = s.write(func(tx *sql.Tx) error {
		if p.Acknowledged != nil && *p.Acknowledged != e.Acknowledged {
			at, who, text := int64(0), "", fmt.Sprintf("took back the acknowledgement of event %d", id)
			if *p.Acknowledged {
				at, who, text = s.now().UnixMilli(), by, fmt.Sprintf("acknowledged event %d", id)
			}
			if _, err := tx.Exec("UPDATE events SET acknowledged_by = ?, acknowledged_ms = ? WHERE id = ?", who, at, id); err != nil {
				return err
			}
			if _, err := s.log(tx, by, "change", "", id, text); err != nil {
				return err
			}
		}
		if p.Comment == nil {
			return nil
		}
		if _, err := tx.Exec("UPDATE events SET comment = ? WHERE id = ?", *p.Comment, id); err != nil {
			return err
		}
		_, err := s.log(tx, by, "change", "", id, fmt.Sprintf("commented on event %d: %s", id, *p.Comment))
		return err
	})
	if err != nil {
		return e, err
	}
	return s.Event(id)
}
