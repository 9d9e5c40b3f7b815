// Package reference reads, for tests, the tables that others published: the CSV
// files of testdata, where lines that begin with # name the source and the first
// other line names the columns.
package reference

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// Row is a line of a table by the names of its columns.
type Row map[string]string

// Table reads the CSV file name of testdata, and fails the test when it has no
// row. Tests of a package two directories below the root may call it.
func Table(t testing.TB, name string) []Row {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(lines) < 2 {
		t.Fatalf("%s: no rows", name)
	}
	var rows []Row
	for _, line := range lines[1:] {
		row := Row{}
		for i, cell := range line {
			row[lines[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// Number is a cell that has to be a number.
func (r Row) Number(t testing.TB, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return x
}
