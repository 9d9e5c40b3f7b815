package wire

import (
	"encoding/json"
	"math"
	"strconv"
)

// Value is a number in JSON, null when it is NaN or infinite.
type Value float64

// MarshalJSON writes the shortest number, or null.
func (v Value) MarshalJSON() ([]byte, error) { return appendNumber(nil, float64(v), 64), nil }

// UnmarshalJSON reads null as NaN.
func (v *Value) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*v = Value(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(v))
}

// Values are the numbers of a curve, null where one is NaN or infinite.
type Values []float32

// MarshalJSON writes an array, [] for none.
func (v Values) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 2+9*len(v))
	b = append(b, '[')
	for i, x := range v {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendNumber(b, float64(x), 32)
	}
	return append(b, ']'), nil
}

// UnmarshalJSON reads null as NaN.
func (v *Values) UnmarshalJSON(b []byte) error {
	var in []*float32
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	*v = make(Values, len(in))
	for i, p := range in {
		(*v)[i] = float32(math.NaN())
		if p != nil {
			(*v)[i] = *p
		}
	}
	return nil
}

func appendNumber(b []byte, x float64, bits int) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	format := byte('f')
	if a := math.Abs(x); a != 0 && (a < 1e-6 || a >= 1e21) {
		format = 'e'
	}
	return strconv.AppendFloat(b, x, format, -1, bits)
}

// Unknown is null.
func Unknown() Value { return Value(math.NaN()) }
