package network

import (
	"strings"

	"rsc.io/qr"
)

// quiet modules lie around a code on each side (ISO/IEC 18004).
const quiet = 4

// light on dark, so that a code is right way round on any ground.
const (
	codeColours = "\x1b[38;5;231;48;5;16m"
	plain       = "\x1b[0m"
)

// drawCode is a QR code of half blocks, two modules above each other a character. Where
// it shows no colours the ground is taken to be dark.
func drawCode(text string, colour bool) string {
	code, err := qr.Encode(text, qr.L)
	if err != nil { // longer than any link of ours
		return ""
	}
	light := func(x, y int) bool { return !code.Black(x-quiet, y-quiet) } // outside it is light
	size := code.Size + 2*quiet
	var b strings.Builder
	for y := 0; y < size; y += 2 {
		if colour {
			b.WriteString(codeColours)
		}
		for x := range size {
			up, down := light(x, y), y+1 < size && light(x, y+1)
			switch {
			case up && down:
				b.WriteRune('█')
			case up:
				b.WriteRune('▀')
			case down:
				b.WriteRune('▄')
			default:
				b.WriteRune(' ')
			}
		}
		if colour {
			b.WriteString(plain)
		}
		b.WriteByte('\n')
	}
	return b.String()
}
