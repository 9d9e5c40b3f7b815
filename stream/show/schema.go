package show

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
)

// thing is a table, an index, a trigger or a view, and how it was made.
type thing struct{ kind, name, table, sql string }

// ours are the schemas that this program makes, by version.
var ours = sync.OnceValues(func() ([][]thing, error) {
	schemas := make([][]thing, len(migrations)+1)
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	for v := 1; v < len(schemas) && err == nil; v++ {
		if err = migrate(db, migrations[:v]); err == nil {
			schemas[v], err = schemaOf(context.Background(), db)
		}
	}
	return schemas, errors.Join(err, db.Close())
})

// thingsMost is more than a show has.
const thingsMost = 200

func schemaOf(ctx context.Context, db *sql.DB) (things []thing, err error) {
	rows, err := db.QueryContext(ctx, `SELECT type, name, tbl_name, coalesce(substr(sql, 1, 10000), '') FROM sqlite_schema
		ORDER BY type, name LIMIT ?`, thingsMost)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var t thing
		if err := rows.Scan(&t.kind, &t.name, &t.table, &t.sql); err != nil {
			return nil, err
		}
		t.sql = plain(t.sql)
		things = append(things, t)
	}
	return things, rows.Err()
}

// plain is a statement without comments and line breaks, so that a better comment
// in a schema does not make older shows foreign.
func plain(statement string) string {
	var words []string
	for line := range strings.Lines(statement) {
		line, _, _ = strings.Cut(line, "--")
		words = append(words, strings.Fields(line)...)
	}
	return strings.Join(words, " ")
}

// checkSchema refuses a show that holds anything but what this program makes: a
// trigger or a view would run whatever it says with every take.
func checkSchema(ctx context.Context, db *sql.DB, path string, version int) error {
	schemas, err := ours()
	if err != nil {
		return err
	}
	have, err := schemaOf(ctx, db)
	if err != nil {
		return err
	}
	want := schemas[version]
	if slices.Equal(have, want) {
		return nil
	}
	what := "a table or an index is missing"
	for _, t := range have {
		if !slices.Contains(want, t) {
			what = fmt.Sprintf("%s %q is not one of its own", t.kind, clip(t.name))
			break
		}
	}
	return refuse(http.StatusUnprocessableEntity, "foreign", "%s was changed by another program (%s): open a copy from before that; it was left as it is", path, what)
}
