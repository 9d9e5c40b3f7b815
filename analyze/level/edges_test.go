package level

import (
	"math"
	"strings"
	"testing"

	"plumbline/analyze/caution"
)

// Levels beyond the histogram are in its last bins, and in no other.
func TestHistogramEnds(t *testing.T) {
	var h history
	for _, db := range []float64{1000, highestDB, highestDB - 0.05, lowestDB, -1000, math.Inf(-1)} {
		h.level(db)
	}
	if top, bottom := h.counts[len(h.counts)-1], h.counts[0]; top != 3 || bottom != 3 || h.levels != 6 {
		t.Errorf("%d at the top, %d at the bottom, %d in all", top, bottom, h.levels)
	}
}

// A sample at full scale, of either sign, is clipped, and one below is not.
func TestFullScaleIsClipped(t *testing.T) {
	m, err := NewMeter(Config{SampleRateHz: 48000})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, 4800)
	x[100], x[200] = caution.FullScale, -caution.FullScale
	x[300], x[400] = math.Nextafter(caution.FullScale, 0), math.Nextafter(-caution.FullScale, 0)
	x[500], x[600] = 1, -1
	m.Feed(x)
	var r Reading
	if m.Read(&r); r.Clipped != 4 {
		t.Errorf("%d samples are clipped, want 4", r.Clipped)
	}
}

// Exactly as long as is asked for is long enough, and what is shorter is told with its length.
func TestCalibratorOfTheLeastLength(t *testing.T) {
	x := make([]float64, leastSteadyS*48000)
	for i := range x {
		x[i] = 0.1 * math.Sin(2*math.Pi*1000*float64(i)/48000)
	}
	if _, err := Calibrate(x, 48000, 94); err != nil {
		t.Errorf("%d s: %v", leastSteadyS, err)
	}
	if _, err := Calibrate(x[:24000], 48000, 94); err == nil || !strings.Contains(err.Error(), "0.5 s of calibrator are too short") {
		t.Errorf("half a second: %v", err)
	}
}
