package show

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"net/http"
)

// KindEventAudio is the audio around an event, which can be deleted and brought
// back until the show is opened again. The event stays.
const KindEventAudio Kind = "event audio"

// audioBytes is what a frame of it takes: two float32.
const audioBytes = 8

// Limits of how much audio around events a show keeps, bytes.
const (
	DefaultEventAudio = 500e6
	mostEventAudio    = 100e9
)

const eventAudioKey = "event audio"

// EventAudioMost is how much audio around events the show keeps at most, bytes; 0: none.
func (s *Show) EventAudioMost() (int64, error) {
	var text string
	err := s.db.QueryRow("SELECT value FROM meta WHERE key = ?", "setting "+eventAudioKey).Scan(&text)
	if err != nil && err != sql.ErrNoRows {
		return 0, explain(s.path, err)
	}
	var most *int64
	if json.Unmarshal([]byte(text), &most) != nil || most == nil || *most < 0 || *most > mostEventAudio {
		return DefaultEventAudio, nil // nobody chose, or a show from elsewhere has what cannot be
	}
	return *most, nil
}

// SetEventAudioMost chooses it. What is kept stays, even if it is more.
func (s *Show) SetEventAudioMost(bytes int64, by string) error {
	if bytes < 0 || bytes > mostEventAudio {
		return refuse(0, "most_bytes", "audio around events may take 0 (none is kept) to %.0f bytes, not %d", mostEventAudio, bytes)
	}
	text := "no audio is kept around events any more"
	if bytes > 0 {
		text = fmt.Sprintf("audio around events is kept up to %.0f MB", float64(bytes)/1e6)
	}
	return s.PutSetting(eventAudioKey, bytes, text, by)
}

// EventAudioFits says whether so many frames more are kept.
func (s *Show) EventAudioFits(frames int) (bool, error) {
	most, err := s.EventAudioMost()
	if err != nil || most == 0 {
		return false, err
	}
	var kept int64
	// What was deleted takes its space until the show is opened again.
	err = s.db.QueryRow("SELECT coalesce(sum(audio_frames), 0) FROM events WHERE audio_rate_hz > 0").Scan(&kept)
	return (kept+int64(frames))*audioBytes <= most, explain(s.path, err)
}

// DeleteEventAudio deletes the audio around an event, 0 around all of them. The
// number it returns is what Undo wants, while the show is open; opening it again
// gives the space back.
func (s *Show) DeleteEventAudio(id int64, by string) (undo int64, err error) {
	err = s.write(func(tx *sql.Tx) error {
		const these = " WHERE audio_rate_hz > 0 AND audio_deleted IS NULL AND (?1 = 0 OR id = ?1)"
		var n, frames int64
		if err := tx.QueryRow("SELECT count(*), coalesce(sum(audio_frames), 0) FROM events"+these, id).Scan(&n, &frames); err != nil {
			return err
		}
		switch {
		case n == 0 && id == 0:
			return refuse(http.StatusNotFound, "no_audio", "no audio is kept of any event")
		case n == 0:
			return refuse(http.StatusNotFound, "no_audio", "no audio is kept of event %d", id)
		}
		text := fmt.Sprintf("deleted the audio around event %d, %s", id, megabytes(frames))
		if id == 0 {
			text = fmt.Sprintf("deleted the audio around %d events, %s", n, megabytes(frames))
		}
		if undo, err = s.log(tx, by, "delete", KindEventAudio, id, text); err != nil {
			return err
		}
		_, err = tx.Exec("UPDATE events SET audio_deleted = ?2"+these, id, undo)
		return err
	})
	return undo, err
}

func megabytes(frames int64) string { return fmt.Sprintf("%.1f MB", float64(frames)*audioBytes/1e6) }

// undoEventAudio brings back what one DeleteEventAudio hid.
func undoEventAudio(tx *sql.Tx, undo int64) error {
	result, err := tx.Exec("UPDATE events SET audio_deleted = NULL WHERE audio_deleted = ?", undo)
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return refuse(http.StatusGone, "gone", "that audio is gone for good: the show was opened again since it was deleted")
}

// free gives back the space of audio that was deleted before the show was
// closed. The file shrinks only if much of it is free, since that copies all the rest.
func (s *Show) free() error {
	var n, frames int64
	err := s.db.QueryRow("SELECT count(*), coalesce(sum(audio_frames), 0) FROM events WHERE audio_rate_hz > 0 AND audio_deleted IS NOT NULL").Scan(&n, &frames)
	if err != nil || n == 0 {
		return err
	}
	err = s.write(func(tx *sql.Tx) error {
		for _, step := range []string{
			"DELETE FROM event_audio WHERE event IN (SELECT id FROM events WHERE audio_deleted IS NOT NULL)",
			"UPDATE events SET audio_rate_hz = 0, audio_frames = 0, audio_event_s = 0, audio_deleted = NULL WHERE audio_deleted IS NOT NULL",
		} {
			if _, err := tx.Exec(step); err != nil {
				return err
			}
		}
		_, err := s.log(tx, "plumbline", "change", "", 0, fmt.Sprintf("gave back the space of the deleted audio around %d events, %s", n, megabytes(frames)))
		return err
	})
	if err != nil {
		return err
	}
	var unused, pages int64
	if err := s.db.QueryRow("SELECT (SELECT freelist_count FROM pragma_freelist_count), (SELECT page_count FROM pragma_page_count)").Scan(&unused, &pages); err == nil && unused > pages/4 {
		s.db.Exec("VACUUM") // without room for it the free pages stay in the file, and are used again
		s.settle()
	}
	return nil
}
