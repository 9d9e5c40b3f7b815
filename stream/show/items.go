package show

import (
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"plumbline/stream/wire"
)

// Kind names what an item is.
type Kind string

// The kinds of items that can be deleted and brought back.
const (
	KindLoudspeaker Kind = "loudspeaker"
	KindSeat        Kind = "seat"
	KindTake        Kind = "take"
	KindPlan        Kind = "plan"
	KindNote        Kind = "note"
	KindCorrection  Kind = "correction"
	KindTrace       Kind = "trace"
	KindTarget      Kind = "target"
)

// Loudspeaker is one under test.
type Loudspeaker struct {
	ID      int64  `json:"id"`
	Name    string `json:"name"`
	Role    string `json:"role"`
	Channel int    `json:"channel"` // output that plays it, from 1; 0 none
	Note    string `json:"note"`
}

// Seat is a microphone position.
type Seat struct {
	ID        int64          `json:"id"`
	Name      string         `json:"name"`
	PositionM *wire.Position `json:"position_m"` // on the plan; null when it was not drawn
	Note      string         `json:"note"`
}

// Plan is a set of settings to dial in; Body is the planner's.
type Plan struct {
	ID   int64           `json:"id"`
	At   string          `json:"at"`
	Name string          `json:"name"`
	Body json.RawMessage `json:"body"`
	Note string          `json:"note"`
}

// Note is a remark about an item, or about the show.
type Note struct {
	ID   int64  `json:"id"`
	At   string `json:"at"`
	By   string `json:"by"`
	Kind Kind   `json:"kind"` // of the item; empty: the show
	Item int64  `json:"item"`
	Text string `json:"text"`
}

// table is how a kind of item is stored: columns after id, in the order of
// row, which yields for an item its id and the addresses of its columns' values.
type table[T any] struct {
	kind    Kind
	name    string
	columns string
	row     func(*T) (id *int64, values []any)
	title   func(*T) string
	check   func(*T) error
}

var loudspeakers = table[Loudspeaker]{
	KindLoudspeaker, "loudspeakers", "name, role, channel, note",
	func(l *Loudspeaker) (*int64, []any) { return &l.ID, []any{&l.Name, &l.Role, &l.Channel, &l.Note} },
	func(l *Loudspeaker) string { return l.Name },
	func(l *Loudspeaker) error {
		if l.Channel < 0 || l.Channel > 64 {
			return refuse(0, "channel", "the output channel of %s must be 1 to 64, or 0 for none, not %d", l.Name, l.Channel)
		}
		return checkNamed("loudspeaker", l.Name, l.Note, l.Role)
	},
}

var seats = table[Seat]{
	KindSeat, "seats", "name, position, note",
	func(s *Seat) (*int64, []any) { return &s.ID, []any{&s.Name, asJSON{&s.PositionM}, &s.Note} },
	func(s *Seat) string { return s.Name },
	func(s *Seat) error { return checkNamed("seat", s.Name, s.Note) },
}

var plans = table[Plan]{
	KindPlan, "plans", "at_ms, name, body, note",
	func(p *Plan) (*int64, []any) { return &p.ID, []any{asTime{&p.At}, &p.Name, asJSON{&p.Body}, &p.Note} },
	func(p *Plan) string { return p.Name },
	func(p *Plan) error {
		if len(p.Body) == 0 || len(p.Body) > 1<<20 || !json.Valid(p.Body) {
			return refuse(0, "body", "a plan needs a JSON body of at most 1 MiB")
		}
		if err := checkTime("plan", p.At); err != nil {
			return err
		}
		return checkNamed("plan", p.Name, p.Note)
	},
}

var notes = table[Note]{
	KindNote, "notes", "at_ms, by, kind, item, text",
	func(n *Note) (*int64, []any) { return &n.ID, []any{asTime{&n.At}, &n.By, &n.Kind, &n.Item, &n.Text} },
	func(n *Note) string { return clip(n.Text) },
	func(n *Note) error {
		if strings.TrimSpace(n.Text) == "" {
			return refuse(0, "text", "a note needs some text")
		}
		if err := checkTime("note", n.At); err != nil {
			return err
		}
		return checkText("note", n.Text)
	},
}

// list reads the living items, the oldest first.
func (t table[T]) list(s *Show) ([]T, error) {
	rows, err := s.db.Query("SELECT id, " + t.columns + " FROM " + t.name + " WHERE deleted IS NULL ORDER BY id")
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	out := []T{}
	for rows.Next() {
		var item T
		id, values := t.row(&item)
		if err := rows.Scan(append([]any{id}, values...)...); err != nil {
			return nil, explain(s.path, err)
		}
		out = append(out, item)
	}
	return out, explain(s.path, rows.Err())
}

// put adds an item without an id and replaces one with.
func (t table[T]) put(s *Show, item T, by string) (T, error) {
	if err := t.check(&item); err != nil {
		return item, err
	}
	id, values := t.row(&item)
	if *id != 0 {
		return t.change(s, *id, func(old *T) error { *old = item; return nil }, by)
	}
	err := s.write(func(tx *sql.Tx) error {
		marks := strings.Repeat(", ?", strings.Count(t.columns, ",")+1)
		result, err := tx.Exec("INSERT INTO "+t.name+" (id, "+t.columns+") VALUES (NULL"+marks+")", values...)
		if err != nil {
			return t.explain(err, &item)
		}
		if *id, err = result.LastInsertId(); err != nil {
			return err
		}
		_, err = s.log(tx, by, "add", t.kind, *id, fmt.Sprintf("added %s %s", t.kind, t.title(&item)))
		return err
	})
	return item, err
}

// change edits an item as it is when its turn comes: what others have changed of it stays,
// and one that is deleted stays so. edit must not ask the show, which waits for it.
func (t table[T]) change(s *Show, id int64, edit func(*T) error, by string) (item T, err error) {
	err = s.write(func(tx *sql.Tx) error {
		own, values := t.row(&item)
		err := tx.QueryRow("SELECT id, "+t.columns+" FROM "+t.name+" WHERE deleted IS NULL AND id = ?", id).Scan(append([]any{own}, values...)...)
		if errors.Is(err, sql.ErrNoRows) {
			return missing(t.kind, id)
		}
		if err != nil {
			return err
		}
		if err := edit(&item); err != nil {
			return err
		}
		*own = id
		if err := t.check(&item); err != nil {
			return err
		}
		set := strings.ReplaceAll(t.columns, ",", " = ?,") + " = ?"
		if _, err := tx.Exec("UPDATE "+t.name+" SET "+set+" WHERE id = ?", append(values, id)...); err != nil {
			return t.explain(err, &item)
		}
		_, err = s.log(tx, by, "change", t.kind, id, fmt.Sprintf("changed %s %s", t.kind, t.title(&item)))
		return err
	})
	return item, err
}

func (t table[T]) explain(err error, item *T) error {
	if taken(err) {
		return refuse(http.StatusConflict, "name_taken", "there is a %s called %s already: choose another name", t.kind, t.title(item))
	}
	return err
}

func orMissing(err error, kind Kind, id int64) error {
	if err != nil {
		return err
	}
	return missing(kind, id)
}

// Loudspeakers lists the rig, in the order it was entered.
func (s *Show) Loudspeakers() ([]Loudspeaker, error) { return loudspeakers.list(s) }

// PutLoudspeaker adds one (ID 0) or changes the one of that ID.
func (s *Show) PutLoudspeaker(l Loudspeaker, by string) (Loudspeaker, error) {
	return loudspeakers.put(s, l, by)
}

// ChangeLoudspeaker edits the one of that ID, with what others have changed of it; one that is deleted stays so.
func (s *Show) ChangeLoudspeaker(id int64, edit func(*Loudspeaker) error, by string) (Loudspeaker, error) {
	return loudspeakers.change(s, id, edit, by)
}

// Seats lists the seats, in the order they were entered.
func (s *Show) Seats() ([]Seat, error) { return seats.list(s) }

// PutSeat adds one (ID 0) or changes the one of that ID.
func (s *Show) PutSeat(x Seat, by string) (Seat, error) { return seats.put(s, x, by) }

// ChangeSeat edits the one of that ID, with what others have changed of it; one that is deleted stays so.
func (s *Show) ChangeSeat(id int64, edit func(*Seat) error, by string) (Seat, error) {
	return seats.change(s, id, edit, by)
}

// Plans lists the plans, the oldest first.
func (s *Show) Plans() ([]Plan, error) { return plans.list(s) }

// PutPlan adds one (ID 0), with the time, or changes the one of that ID.
func (s *Show) PutPlan(p Plan, by string) (Plan, error) {
	if p.ID == 0 {
		p.At = stamp(s.now().UnixMilli())
	}
	return plans.put(s, p, by)
}

// ChangePlan edits the one of that ID, with what others have changed of it; one that is deleted stays so.
func (s *Show) ChangePlan(id int64, edit func(*Plan) error, by string) (Plan, error) {
	return plans.change(s, id, edit, by)
}

// Notes lists the notes, the oldest first.
func (s *Show) Notes() ([]Note, error) { return notes.list(s) }

// PutNote adds one (ID 0), with time and author, or changes the one of that ID.
func (s *Show) PutNote(n Note, by string) (Note, error) {
	if n.ID == 0 {
		n.At, n.By = stamp(s.now().UnixMilli()), by
	}
	return notes.put(s, n, by)
}

// ChangeNote edits the one of that ID, with what others have changed of it; one that is deleted stays so.
func (s *Show) ChangeNote(id int64, edit func(*Note) error, by string) (Note, error) {
	return notes.change(s, id, edit, by)
}

// Limits of texts.
const (
	maxName = 80    // characters
	maxText = 20000 // bytes
)

func checkName(kind, name string) error {
	switch {
	case strings.TrimSpace(name) == "":
		return refuse(0, "name", "a %s needs a name", kind)
	}
	return wire.CheckLine("name", "the name of a "+kind, name, maxName)
}

// checkTime refuses what asTime cannot store.
func checkTime(kind, at string) error {
	if _, err := time.Parse(time.RFC3339, at); err != nil {
		return refuse(0, "at", "the time of a %s must be like 2030-01-31T20:15:00Z, not %q", kind, clip(at))
	}
	return nil
}

func checkText(kind, text string) error {
	return wire.CheckText("text", "the text of a "+kind, text, maxText)
}

func checkNamed(kind, name string, texts ...string) error {
	if err := checkName(kind, name); err != nil {
		return err
	}
	for _, t := range texts {
		if err := checkText(kind, t); err != nil {
			return err
		}
	}
	return nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// asJSON stores what it points to as JSON text.
type asJSON struct{ v any }

// Value implements driver.Valuer.
func (a asJSON) Value() (driver.Value, error) {
	b, err := json.Marshal(a.v)
	return string(b), err
}

// Scan implements sql.Scanner.
func (a asJSON) Scan(src any) error {
	text, ok := src.(string)
	if !ok {
		return fmt.Errorf("%T where JSON text was stored", src)
	}
	return json.Unmarshal([]byte(text), a.v)
}

// asTime stores an RFC 3339 time as ms since 1970.
type asTime struct{ at *string }

// Value implements driver.Valuer.
func (a asTime) Value() (driver.Value, error) {
	t, err := time.Parse(time.RFC3339, *a.at)
	return t.UnixMilli(), err
}

// Scan implements sql.Scanner.
func (a asTime) Scan(src any) error {
	ms, ok := src.(int64)
	if !ok {
		return fmt.Errorf("%T where a time was stored", src)
	}
	*a.at = stamp(ms)
	return nil
}

// LoudspeakerIDs are the numbers of the loudspeakers of these names.
func (s *Show) LoudspeakerIDs(names []string) ([]int64, error) {
	all, err := s.Loudspeakers()
	if err != nil {
		return nil, err
	}
	var ids []int64
	for _, name := range names {
		i := slices.IndexFunc(all, func(l Loudspeaker) bool { return l.Name == name })
		if i < 0 {
			return nil, refuse(http.StatusNotFound, "not_found", "there is no loudspeaker called %q in this show: add it first", name)
		}
		ids = append(ids, all[i].ID)
	}
	return ids, nil
}
