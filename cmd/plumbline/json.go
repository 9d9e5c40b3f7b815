package main

import (
	"encoding/json"
	"io"
	"math"
	"strconv"
)

// number is a float in JSON; what is unknown or has no finite value is null.
type number float64

func (n number) MarshalJSON() ([]byte, error) { return appendNumber(nil, float64(n)), nil }

// numbers is a curve in JSON.
type numbers []float64

func (n numbers) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 20*len(n)+2), '[')
	for i, x := range n {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendNumber(b, x)
	}
	return append(b, ']'), nil
}

func appendNumber(b []byte, x float64) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, x, 'g', -1, 64)
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
