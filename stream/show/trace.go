package show

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// Limits of traces.
const (
	maxTraces      = 99      // that are not deleted
	maxTracePoints = 1 << 16 // more than the longest window has lines
)

// Trace is a stored curve that lies behind the live one on the Listen page. Its curve is
// read on its own (TraceCurve), since it never changes.
type Trace struct {
	ID         int64  `json:"id"`
	At         string `json:"at"`
	By         string `json:"by"`
	Name       string `json:"name"`
	Number     int    `json:"number"` // from 1; up to 9 it is the key that shows and hides the trace
	Shown      bool   `json:"shown"`
	Microphone int    `json:"microphone"` // channel; 0: it was not heard here
	Heard      string `json:"heard"`      // what that channel was called then, or where the trace is from
	Note       string `json:"note"`
}

// TraceCurve is a trace's response as it was drawn, its arrays parallel, and its impulse
// response at equal steps. What was not known is NaN; all of a curve that there was
// not, empty.
type TraceCurve struct {
	Trace           int64       `json:"trace"`
	DelayMs         wire.Value  `json:"delay_ms"` // taken out of the phase
	FrequencyHz     []float64   `json:"frequency_hz"`
	MagnitudeDB     wire.Values `json:"magnitude_db"`
	MagnitudeLowDB  wire.Values `json:"magnitude_low_db"`
	MagnitudeHighDB wire.Values `json:"magnitude_high_db"`
	PhaseDeg        wire.Values `json:"phase_deg"`
	PhaseErrorDeg   wire.Values `json:"phase_error_deg"`
	Coherence       wire.Values `json:"coherence"`
	Threshold       wire.Values `json:"threshold"`
	ImpulseStartMs  wire.Value  `json:"impulse_start_ms"`
	ImpulseStepMs   wire.Value  `json:"impulse_step_ms"`
	Impulse         wire.Values `json:"impulse"`
}

var traces = table[Trace]{
	KindTrace, "traces", "at_ms, by, name, number, shown, microphone, heard, note",
	func(t *Trace) (*int64, []any) {
		return &t.ID, []any{asTime{&t.At}, &t.By, &t.Name, &t.Number, &t.Shown, &t.Microphone, &t.Heard, &t.Note}
	},
	func(t *Trace) string { return t.Name },
	func(t *Trace) error { return checkNamed("trace", t.Name, t.Note, t.Heard) },
}

// Traces lists the traces, the oldest first.
func (s *Show) Traces() ([]Trace, error) { return traces.list(s) }

// AddTrace stores a curve under the lowest number that is free, shown. Without a name it
// is called after its number. ID, At, By, Number and Shown are set.
func (s *Show) AddTrace(t Trace, curve TraceCurve, by string) (Trace, error) {
	n := len(curve.FrequencyHz)
	if n == 0 || n > maxTracePoints || len(curve.MagnitudeDB) != n {
		return t, refuse(0, "curve", "a trace has a magnitude at 1 to %d frequencies, not at %d: leave some out", maxTracePoints, n)
	}
	t.By, t.At, t.Shown = by, stamp(s.now().UnixMilli()), true
	err := s.write(func(tx *sql.Tx) error {
		var err error
		if t.Number, err = freeNumber(tx, 0); err != nil {
			return err
		}
		if t.Name == "" {
			if t.Name, err = freeName(tx, t.Number); err != nil {
				return err
			}
		}
		if err := traces.check(&t); err != nil {
			return err
		}
		_, values := traces.row(&t)
		result, err := tx.Exec("INSERT INTO traces ("+traces.columns+", curve) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", append(values, asJSON{curve})...)
		if err != nil {
			return err
		}
		if t.ID, err = result.LastInsertId(); err != nil {
			return err
		}
		_, err = s.log(tx, by, "add", KindTrace, t.ID, "stored trace "+t.Name)
		return err
	})
	return t, err
}

// freeNumber is the lowest number that no living trace but one has.
func freeNumber(tx *sql.Tx, but int64) (int, error) {
	used := map[int]bool{}
	err := eachRow(tx, "SELECT number FROM traces WHERE deleted IS NULL AND id <> ?", func(n int) { used[n] = true }, but)
	if err != nil {
		return 0, err
	}
	for n := 1; n <= maxTraces; n++ {
		if !used[n] {
			return n, nil
		}
	}
	return 0, refuse(http.StatusConflict, "too_many", "%d traces are stored: delete those that you no longer need", maxTraces)
}

// freeName is “Trace n” with the first n from its number on that no living trace is called.
func freeName(tx *sql.Tx, number int) (string, error) {
	used := map[string]bool{}
	if err := eachRow(tx, "SELECT name FROM traces WHERE deleted IS NULL", func(name string) { used[name] = true }); err != nil {
		return "", err
	}
	for ; ; number++ {
		if name := fmt.Sprintf("Trace %d", number); !used[name] {
			return name, nil
		}
	}
}

func eachRow[T any](tx *sql.Tx, query string, do func(T), args ...any) error {
	rows, err := tx.Query(query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var v T
		if err := rows.Scan(&v); err != nil {
			return err
		}
		do(v)
	}
	return rows.Err()
}

// renumber gives a trace that is back another number if its own is taken meanwhile.
func renumber(tx *sql.Tx, id int64) error {
	var taken int
	if err := tx.QueryRow(`SELECT count(*) FROM traces a JOIN traces b ON a.number = b.number
		WHERE a.id = ? AND b.id <> a.id AND b.deleted IS NULL`, id).Scan(&taken); err != nil || taken == 0 {
		return err
	}
	number, err := freeNumber(tx, id)
	if err != nil {
		return err
	}
	_, err = tx.Exec("UPDATE traces SET number = ? WHERE id = ?", number, id)
	return err
}

// ChangeTrace edits the name, the note and whether the one of that ID is shown; the rest
// stays as it was stored.
func (s *Show) ChangeTrace(id int64, edit func(*Trace) error, by string) (Trace, error) {
	return traces.change(s, id, func(t *Trace) error {
		old := *t
		if err := edit(t); err != nil {
			return err
		}
		old.Name, old.Note, old.Shown = t.Name, t.Note, t.Shown
		*t = old
		return nil
	}, by)
}

// TraceCurve reads the curve of a trace that is not deleted.
func (s *Show) TraceCurve(id int64) (c TraceCurve, err error) {
	var text string
	err = s.db.QueryRow("SELECT curve FROM traces WHERE id = ? AND deleted IS NULL", id).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return c, missing(KindTrace, id)
	}
	if isDamage(err) || err == nil && json.Unmarshal([]byte(text), &c) != nil {
		return c, damaged(s.path, "trace %d is damaged: use another one", id)
	}
	c.Trace = id
	return c, explain(s.path, err)
}

// CurveOf is the trace of a take's response: c with what the take only assumed unknown.
func CurveOf(t Take, c *response.Curve) TraceCurve {
	t.HideAssumed(c)
	known := func(x []float64) wire.Values {
		v, any := make(wire.Values, len(x)), false
		for i := range x {
			v[i] = float32(x[i])
			any = any || !math.IsNaN(x[i])
		}
		if !any {
			return wire.Values{}
		}
		return v
	}
	return TraceCurve{
		DelayMs: wire.Value(t.DelayMs), FrequencyHz: c.FrequencyHz,
		MagnitudeDB: known(c.MagnitudeDB), MagnitudeLowDB: known(c.MagnitudeLowDB), MagnitudeHighDB: known(c.MagnitudeHighDB),
		PhaseDeg: known(c.PhaseDeg), PhaseErrorDeg: known(c.PhaseErrorDeg), Coherence: known(c.Coherence), Threshold: known(c.Threshold),
		ImpulseStartMs: wire.Unknown(), ImpulseStepMs: wire.Unknown(), Impulse: wire.Values{},
	}
}
