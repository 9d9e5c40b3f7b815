package main

import (
	"strings"
	"testing"
)

// The tables for people, in files to be looked at. Names of temporary folders
// are left out of them.
func TestTables(t *testing.T) {
	const n = 8 * 48000
	x := noise(1, n, 0.1)
	direct := late(x, 480, 0.5, noise(2, n, 0.005))
	y := late(x, 1280, -0.3, direct)
	inFolder(t, nil)
	recordTo(t, "seat.wav", 48000, x, y, make([]float32, n))
	for name, args := range map[string]string{
		"response.txt":       "response seat.wav",
		"response_fixed.txt": "response seat.wav --window 8192 --overlap 0.5 --delay 10 --mic 2 --from 1 --to 5",
		"response_sure.txt":  "response seat.wav --mic 2 --until 2:500:2000",
		"response_until.txt": "response seat.wav --mic 2 --until 0.1:50:8000",
		"arrivals.txt":       "arrivals seat.wav",
	} {
		t.Run(name, func(t *testing.T) { golden(t, name, must(t, strings.Fields(args)...)) })
	}
}
