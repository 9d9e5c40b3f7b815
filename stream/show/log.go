package show

import (
	"database/sql"
	"fmt"
	"net/http"
)

// LogEntry is something that was done.
type LogEntry struct {
	ID     int64  `json:"id"`
	At     string `json:"at"`
	By     string `json:"by"`
	Action string `json:"action"` // "note", "add", "change", "delete", "undo", "open" or "event"
	Kind   Kind   `json:"kind"`   // of the item, or empty
	Item   int64  `json:"item"`
	Text   string `json:"text"`
	Undone bool   `json:"undone"` // a delete that was taken back
}

type execer interface {
	Exec(query string, args ...any) (sql.Result, error)
}

func (s *Show) log(x execer, by, action string, kind Kind, item int64, text string) (int64, error) {
	result, err := x.Exec("INSERT INTO log (at_ms, by, action, kind, item, text) VALUES (?, ?, ?, ?, ?, ?)",
		s.now().UnixMilli(), by, action, string(kind), item, text)
	if err != nil {
		return 0, err
	}
	return result.LastInsertId()
}

// Log enters a line.
func (s *Show) Log(text, by string) error {
	if err := checkText("log entry", text); err != nil {
		return err
	}
	return s.write(func(tx *sql.Tx) error {
		_, err := s.log(tx, by, "note", "", 0, text)
		return err
	})
}

// Entries reads the newest n lines of the log, the newest first; before limits
// them to older ones, 0 does not.
func (s *Show) Entries(n int, before int64) ([]LogEntry, error) {
	rows, err := s.db.Query(`SELECT id, at_ms, by, action, kind, item, text, undone FROM log
		WHERE ?1 = 0 OR id < ?1 ORDER BY id DESC LIMIT ?2`, before, n)
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	out := []LogEntry{}
	for rows.Next() {
		var e LogEntry
		if err := rows.Scan(&e.ID, asTime{&e.At}, &e.By, &e.Action, &e.Kind, &e.Item, &e.Text, &e.Undone); err != nil {
			return nil, explain(s.path, err)
		}
		out = append(out, e)
	}
	return out, explain(s.path, rows.Err())
}

// tables are where the items of each kind lie.
var tables = map[Kind]string{
	KindLoudspeaker: "loudspeakers",
	KindSeat:        "seats",
	KindTake:        "takes",
	KindPlan:        "plans",
	KindNote:        "notes",
	KindCorrection:  "corrections",
	KindTrace:       "traces",
	KindTarget:      "targets",
}

// Delete hides an item, and with a seat or a loudspeaker the takes made of it.
// The number it returns is what Undo wants.
func (s *Show) Delete(kind Kind, id int64, by string) (undo int64, err error) {
	name, ok := tables[kind]
	if !ok {
		return 0, refuse(http.StatusNotFound, "not_found", "nothing of kind %q is kept in a show", kind)
	}
	err = s.write(func(tx *sql.Tx) error {
		undo, err = s.log(tx, by, "delete", kind, id, fmt.Sprintf("deleted %s %d", kind, id))
		if err != nil {
			return err
		}
		result, err := tx.Exec("UPDATE "+name+" SET deleted = ? WHERE id = ? AND deleted IS NULL", undo, id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return orMissing(err, kind, id)
		}
		switch kind {
		case KindSeat:
			_, err = tx.Exec("UPDATE takes SET deleted = ? WHERE seat = ? AND deleted IS NULL", undo, id)
		case KindLoudspeaker:
			_, err = tx.Exec(`UPDATE takes SET deleted = ? WHERE deleted IS NULL AND id IN
				(SELECT take FROM take_loudspeakers WHERE loudspeaker = ?)`, undo, id)
		}
		return err
	})
	return undo, err
}

// Undo brings back all that one Delete hid.
func (s *Show) Undo(undo int64, by string) error {
	return s.write(func(tx *sql.Tx) error {
		var kind Kind
		var item int64
		var undone bool
		err := tx.QueryRow("SELECT kind, item, undone FROM log WHERE id = ? AND action = 'delete'", undo).Scan(&kind, &item, &undone)
		switch {
		case err == sql.ErrNoRows:
			return refuse(http.StatusNotFound, "not_found", "entry %d of the log deleted nothing", undo)
		case err != nil:
			return err
		case undone:
			return refuse(http.StatusConflict, "undone", "that has been undone already")
		}
		for _, name := range tables {
			if _, err := tx.Exec("UPDATE "+name+" SET deleted = NULL WHERE deleted = ?", undo); taken(err) {
				return refuse(http.StatusConflict, "name_taken", "another %s has that name now: rename it, then undo", kind)
			} else if err != nil {
				return err
			}
		}
		text := fmt.Sprintf("brought back %s %d", kind, item)
		if kind == KindEventAudio {
			if err := undoEventAudio(tx, undo); err != nil {
				return err
			}
			text = "brought back the audio around events"
		}
		if kind == KindTrace {
			if err := renumber(tx, item); err != nil {
				return err
			}
		}
		// A take must not come back to a seat or a loudspeaker that is still gone.
		var orphans int
		if err := tx.QueryRow(`SELECT count(*) FROM takes WHERE deleted IS NULL AND (
			seat IN (SELECT id FROM seats WHERE deleted IS NOT NULL) OR
			id IN (SELECT take FROM take_loudspeakers JOIN loudspeakers ON id = loudspeaker WHERE deleted IS NOT NULL))`).Scan(&orphans); err != nil {
			return err
		}
		if orphans > 0 {
			return refuse(http.StatusConflict, "orphan", "the seat or loudspeaker of that take is deleted: bring that back first")
		}
		if _, err := tx.Exec("UPDATE log SET undone = 1 WHERE id = ?", undo); err != nil {
			return err
		}
		_, err = s.log(tx, by, "undo", kind, item, text)
		return err
	})
}
