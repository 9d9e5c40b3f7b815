package ui

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
)

// TestCividisIsEven checks the map of colours of the bands against what its
// authors published it for (Nuñez, Anderton & Renslow, PLoS ONE 13(7):
// e0199239, 2018): from dark blue to yellow, 256 colours, lightness rising
// evenly. Lightness here is L* of CIE 15 from sRGB (IEC 61966-2-1); theirs is
// that of CAM02-UCS, which bends against it by one or two units.
func TestCividisIsEven(t *testing.T) {
	var hex strings.Builder
	for _, m := range regexp.MustCompile(`(?m)^  '([0-9a-f]+)',$`).FindAllStringSubmatch(read(t, "draw/cividis.js"), -1) {
		hex.WriteString(m[1])
	}
	if hex.Len() != 256*6 {
		t.Fatalf("%d digits, want 256 colours of 6", hex.Len())
	}
	linear := func(v float64) float64 {
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	lightness := make([]float64, 256)
	for k := range lightness {
		var r, g, b int
		fmt.Sscanf(hex.String()[6*k:6*k+6], "%02x%02x%02x", &r, &g, &b)
		if k < 100 && b <= r || k > 230 && b >= g {
			t.Errorf("colour %d is (%d, %d, %d): not from blue to yellow", k, r, g, b)
		}
		y := 0.2126*linear(float64(r)/255) + 0.7152*linear(float64(g)/255) + 0.0722*linear(float64(b)/255)
		lightness[k] = 116*math.Cbrt(y) - 16 // all are above the linear part, y > 0.008856
	}
	if first, last := lightness[0], lightness[255]; first > 15 || last < 90 {
		t.Errorf("lightness runs from %.1f to %.1f", first, last)
	}
	for k, l := range lightness {
		if line := lightness[0] + (lightness[255]-lightness[0])*float64(k)/255; math.Abs(l-line) > 2 {
			t.Errorf("colour %d has lightness %.1f, an even rise %.1f", k, l, line)
		}
		// One step of eight bits may undo a third of a unit.
		if k > 0 && l < lightness[k-1]-0.1 {
			t.Errorf("colour %d is darker than the one before: %.2f after %.2f", k, l, lightness[k-1])
		}
	}
}
