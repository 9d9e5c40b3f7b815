package main

import (
	"strings"
	"testing"
)

// In sentences a minus is one; what may be copied from a table or is a name stays.
func TestMinusOfSentences(t *testing.T) {
	for text, want := range map[string]string{
		"▲ The input is at -61.2 dBFS, -3 dB too low (-6.5 to -2).\n": "▲ The input is at \u221261.2 dBFS, \u22123 dB too low (\u22126.5 to \u22122).\n",
		"It ends at -4.":                 "It ends at \u22124.",
		"  now -12.0 dB, 0 to -3 °C\n":   "  now \u221212.0 dB, 0 to \u22123 °C\n",
		"     1   -4.23   -2.09\n":       "     1   -4.23   -2.09\n",
		"  delay     -0.12 ms\n":         "  delay     -0.12 ms\n",
		"take -3.wav: 8.0 s, 2030-01-31": "take -3.wav: 8.0 s, 2030-01-31",
		"room --sweep 20:20000:5":        "room --sweep 20:20000:5",
	} {
		var out strings.Builder
		w := newTypeset(&out)
		w.Write([]byte(text))
		if err := w.Flush(); err != nil || out.String() != want {
			t.Errorf("%q: %q, %v; want %q", text, out.String(), err, want)
		}
	}
}
