package show

import (
	"bytes"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// doctor changes a closed show with another program, so to say.
func doctor(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatal(s, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// A file with the marks of a show, but with more or other things in it than this
// program makes, is refused and not touched.
func TestForeignSchemasAreRefused(t *testing.T) {
	original := newShow(t)
	must(original.PutSeat(Seat{Name: "row 1"}, ""))(t)
	if err := original.Close(); err != nil {
		t.Fatal(err)
	}
	whole := must(os.ReadFile(original.path))(t)
	for what, c := range map[string]struct {
		change []string
		say    string
	}{
		"a trigger that deletes takes": {[]string{`CREATE TRIGGER evil AFTER INSERT ON takes BEGIN DELETE FROM takes; END`}, `trigger "evil"`},
		"a trigger that hides a seat":  {[]string{`CREATE TRIGGER evil AFTER INSERT ON seats BEGIN UPDATE seats SET deleted = 1; END`}, `trigger "evil"`},
		"a view in place of a table": {[]string{`ALTER TABLE notes RENAME TO notes2`, `CREATE VIEW notes AS
			WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT x AS id, 0 AS at_ms, '' AS by, '' AS kind, 0 AS item, '' AS text, NULL AS deleted FROM n`}, `"notes`},
		"another table": {[]string{`CREATE TABLE mine (x)`}, `table "mine"`},
		"a column more": {[]string{`ALTER TABLE seats ADD COLUMN colour TEXT`}, `table "seats"`},
		"a column that calls a function": {[]string{
			`ALTER TABLE seats ADD COLUMN x TEXT AS (lower(name))`}, `table "seats"`},
		"an index less": {[]string{`DROP INDEX seats_name`}, "missing"},
		"a check":       {[]string{`PRAGMA writable_schema = 1`, `UPDATE sqlite_schema SET sql = replace(sql, 'position TEXT NOT NULL', 'position TEXT NOT NULL CHECK (length(position) > 3)') WHERE name = 'seats'`}, `table "seats"`},
	} {
		t.Run(what, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "x.plumbline")
			if err := os.WriteFile(path, whole, 0o644); err != nil {
				t.Fatal(err)
			}
			doctor(t, path, c.change...)
			bad := must(os.ReadFile(path))(t)
			_, err := Open(path)
			mustBe(t, err, "foreign", c.say)
			if after := must(os.ReadFile(path))(t); !bytes.Equal(after, bad) {
				t.Error("the file was touched")
			}
		})
	}
	// And shows of every version that ever was are our own.
	for v := 1; v <= len(migrations); v++ {
		path := filepath.Join(t.TempDir(), "x.plumbline")
		doctor(t, path, fmt.Sprint("PRAGMA application_id = ", applicationID))
		db := must(sql.Open("sqlite", path))(t)
		if err := migrate(db, migrations[:v]); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		s, err := Open(path)
		if err != nil {
			t.Errorf("version %d: %v", v, err)
			continue
		}
		s.Close()
	}
}

// Nor does the connection trust what it may have overlooked (SQLite, "Defense
// Against The Dark Arts").
func TestTheSchemaIsNotTrusted(t *testing.T) {
	s := newShow(t)
	for pragma, want := range map[string]int{"trusted_schema": 0, "cell_size_check": 1, "foreign_keys": 1} {
		var got int
		if err := s.db.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %d, want %d: %v", pragma, got, want, err)
		}
	}
}

// Opening gives up in time, and lets go of the file.
func TestOpeningGivesUp(t *testing.T) {
	s := newShow(t)
	must(s.AddTake(Take{Origin: Measured}, spectraOf(1), audioOf(1, 1000), ""))(t)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := must(os.ReadFile(s.path))(t)
	_, err := open(s.path, time.Nanosecond)
	mustBe(t, err, "slow", "copy it to a faster disk")
	if after := must(os.ReadFile(s.path))(t); !bytes.Equal(after, before) {
		t.Error("the file was touched")
	}
	again := must(Open(s.path))(t)
	defer again.Close()
	if n := len(must(again.Takes(Filter{}))(t)); n != 1 {
		t.Errorf("%d takes", n)
	}
}
