package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// What the comparison lets pass and what it does not.
func TestComparison(t *testing.T) {
	const native = `{"delay_ms":17.302,"polarity":{"verdict":"same"},"coherence":[0.5,null],"effective_averages":[3e6]}`
	for name, c := range map[string]struct {
		other, says string
	}{
		"the same":                      {native, ""},
		"last digits":                   {`{"delay_ms":17.302000000001,"polarity":{"verdict":"same"},"coherence":[0.5000000009,null],"effective_averages":[3000000.001]}`, ""},
		"a number beyond the tolerance": {`{"delay_ms":17.302,"polarity":{"verdict":"same"},"coherence":[0.500000002,null],"effective_averages":[3e6]}`, "coherence is 0.5 and 0.500000002"},
		"a large number beyond it":      {`{"delay_ms":17.302,"polarity":{"verdict":"same"},"coherence":[0.5,null],"effective_averages":[3000000.01]}`, "effective_averages is 3e+06"},
		"a number for what is unknown":  {`{"delay_ms":17.302,"polarity":{"verdict":"same"},"coherence":[0.5,0],"effective_averages":[3e6]}`, "coherence is <nil> and 0"},
		"nothing for what is known":     {`{"delay_ms":null,"polarity":{"verdict":"same"},"coherence":[0.5,null],"effective_averages":[3e6]}`, "delay_ms is 17.302"},
		"another word":                  {`{"delay_ms":17.302,"polarity":{"verdict":"opposite"},"coherence":[0.5,null],"effective_averages":[3e6]}`, "polarity.verdict is same and opposite"},
		"a value short":                 {`{"delay_ms":17.302,"polarity":{"verdict":"same"},"coherence":[0.5],"effective_averages":[3e6]}`, "coherence has another length"},
		"a key renamed":                 {`{"delay":17.302,"polarity":{"verdict":"same"},"coherence":[0.5,null],"effective_averages":[3e6]}`, `has no "delay_ms"`},
		"a list for an object":          {`{"delay_ms":17.302,"polarity":[],"coherence":[0.5,null],"effective_averages":[3e6]}`, "polarity has other keys"},
		"a key more":                    {`{"delay_ms":17.302,"x":1,"polarity":{"verdict":"same"},"coherence":[0.5,null],"effective_averages":[3e6]}`, "other keys"},
	} {
		t.Run(name, func(t *testing.T) {
			var a, b any
			if err := json.Unmarshal([]byte(native), &a); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal([]byte(c.other), &b); err != nil {
				t.Fatal(err)
			}
			var found comparison
			found.values("", a, b)
			err := found.err()
			switch {
			case c.says == "" && err != nil:
				t.Error(err)
			case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)):
				t.Errorf("%v, want %q", err, c.says)
			}
		})
	}
}

// Samples are read to the last one, behind whatever stands before them, and nothing is
// taken for samples that are not.
func TestReadSamples(t *testing.T) {
	const (
		format = "fmt \x10\x00\x00\x00\x03\x00\x01\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00 \x00"
		other  = "note\x01\x00\x00\x00x\x00" // of odd length, with the byte that makes it even
		data   = "data\x08\x00\x00\x00\x00\x00\x00\x3f\x00\x00\x80\xbf"
		header = "RIFF\x00\x00\x00\x00WAVE"
	)
	for name, c := range map[string]struct {
		content string
		want    []float64
		says    string
	}{
		"samples":            {header + format + data, []float64{0.5, -1}, ""},
		"another part first": {header + format + other + data, []float64{0.5, -1}, ""},
		"16 bits":            {header + strings.Replace(format, "\x04\x00 \x00", "\x02\x00\x10\x00", 1) + data, nil, "16 bits"},
		"cut short":          {header + format + data[:12], nil, "cut short"},
		"without samples":    {header + format, nil, "no samples"},
		"no WAV":             {"something else", nil, "no WAV"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "x.wav")
			if err := os.WriteFile(path, []byte(c.content), 0o600); err != nil {
				t.Fatal(err)
			}
			got, err := readSamples(path)
			if c.says != "" {
				if err == nil || !strings.Contains(err.Error(), c.says) {
					t.Errorf("%v, want %q", err, c.says)
				}
				return
			}
			if err != nil || !slices.Equal(got, c.want) {
				t.Errorf("%v (%v), want %v", got, err, c.want)
			}
		})
	}
}
