package main

import (
	"encoding/json"
	"io"
	"math"
	"strconv"
)

// numbers is a curve in JSON, in full precision; what is unknown or has no
// finite value is null. (A single number is a wire.Value.)
type numbers []float64

func (n numbers) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 20*len(n)+2), '[')
	for i, x := range n {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, x, 'g', -1, 64)
	}
	return append(b, ']'), nil
}

// reason is a sentence in JSON, null while there is nothing to explain.
type reason string

func (r reason) MarshalJSON() ([]byte, error) {
	if r == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(r))
}

// printJSON writes one object on one line.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
