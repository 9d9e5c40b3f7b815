package show

import (
	"database/sql"
	"encoding/json"
)

// Setting reads what PutSetting stored under a key into v, which stays as it is
// if there is nothing.
func (s *Show) Setting(key string, v any) error {
	var text string
	err := s.db.QueryRow("SELECT value FROM meta WHERE key = ?", "setting "+key).Scan(&text)
	if err == sql.ErrNoRows {
		return nil
	}
	if err != nil {
		return explain(s.path, err)
	}
	return explain(s.path, json.Unmarshal([]byte(text), v))
}

// PutSetting keeps a choice that belongs to the place and the day; text says
// in the log what was chosen.
func (s *Show) PutSetting(key string, v any, text, by string) error {
	return s.write(func(tx *sql.Tx) error {
		if _, err := tx.Exec("INSERT OR REPLACE INTO meta VALUES (?, ?)", "setting "+key, asJSON{v}); err != nil {
			return err
		}
		_, err := s.log(tx, by, "change", "", 0, text)
		return err
	})
}
