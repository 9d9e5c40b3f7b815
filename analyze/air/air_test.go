package air

import (
	"math"
	"testing"

	"plumbline/analyze/internal/reference"
)

// Source: speed_of_sound.csv, the column of ISO 9613-1, and Cramer (JASA 93 (1993)
// 2510) for dry air, which it meets within 0.06 %.
func TestSpeedOfSound(t *testing.T) {
	rows := reference.Table(t, "reference/speed_of_sound.csv")
	if len(rows) < 10 {
		t.Fatal("the table is short")
	}
	for _, row := range rows {
		celsius := row.Number(t, "temperature_c")
		c := SpeedOfSound(celsius)
		if want := row.Number(t, "iso9613_1"); math.Abs(c-want) > 0.0006 {
			t.Errorf("%g °C: %.4f m/s, want %.3f", celsius, c, want)
		}
		if row["cramer_rh0"] == "" {
			continue
		}
		if dry := row.Number(t, "cramer_rh0"); math.Abs(c/dry-1) > 6e-4 {
			t.Errorf("%g °C: %.3f m/s, Cramer has %.3f", celsius, c, dry)
		}
	}
}
