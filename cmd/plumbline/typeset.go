package main

import (
	"bytes"
	"io"
	"regexp"
)

// typeset is what a command tells people. In sentences a minus is a minus sign (U+2212);
// in rows of tables, as in JSON, it is the hyphen of keyboards, so that what is copied
// from there is a number wherever it is pasted. A row is a line with two spaces between
// its words, which no sentence has.
type typeset struct {
	w    io.Writer
	text bytes.Buffer
}

func newTypeset(w io.Writer) *typeset { return &typeset{w: w} }

func (t *typeset) Write(p []byte) (int, error) { return t.text.Write(p) }

var (
	betweenCells = regexp.MustCompile(`\S {2,}\S`)
	// A number that ends where a word or a clause does: no piece of a file's name.
	negative = regexp.MustCompile(`(^|[ (±…])-(\d+(?:\.\d+)?)([ ,;:)%°]|\.?$|\.? )`)
)

// Flush writes all that was told.
func (t *typeset) Flush() error {
	lines := bytes.Split(t.text.Bytes(), []byte("\n"))
	for i, line := range lines {
		if !betweenCells.Match(line) {
			lines[i] = negative.ReplaceAll(line, []byte("$1\u2212$2$3"))
		}
	}
	t.text.Reset()
	_, err := t.w.Write(bytes.Join(lines, []byte("\n")))
	return err
}
