package daemon

import (
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
)

// footprint is what this process holds.
type footprint struct {
	hours       float64 // of the day, when it was taken
	heapMB      float64 // live, after a collection
	residentMB  float64 // NaN where the system does not tell
	goroutines  int
	descriptors int // 0 where the system does not tell
}

const mb = 1 << 20

// takeFootprint collects garbage and looks.
func takeFootprint(hours float64) footprint {
	runtime.GC() // what a sync.Pool holds survives one collection
	debug.FreeOSMemory()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	f := footprint{hours: hours, heapMB: float64(m.HeapAlloc) / mb, residentMB: math.NaN(), goroutines: runtime.NumGoroutine(), descriptors: descriptors()}
	if text, err := os.ReadFile("/proc/self/statm"); err == nil {
		if fields := strings.Fields(string(text)); len(fields) > 1 {
			pages, _ := strconv.Atoi(fields[1])
			f.residentMB = float64(pages*os.Getpagesize()) / mb
		}
	}
	return f
}

// descriptors are the open ones, among them that of the folder that lists them.
func descriptors() int {
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return 0
	}
	return len(open)
}

// slope is that of the least-squares line through points, and its standard error
// (Draper and Smith, Applied Regression Analysis, 3rd ed., ch. 1). NaN for fewer than three.
func slope(x, y []float64) (perX, standardError float64) {
	n := float64(len(x))
	var mx, my, sxx, sxy, rest float64
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	perX = sxy / sxx
	for i := range x {
		e := y[i] - my - perX*(x[i]-mx)
		rest += e * e
	}
	if len(x) < 3 {
		return math.NaN(), math.NaN()
	}
	return perX, math.Sqrt(rest / (n - 2) / sxx)
}

func TestSlope(t *testing.T) {
	// y = 2x + 1 with +1, −2, +1 on top, which is orthogonal to 1 and x: the sum of squares is
	// 6, s² = 6/(3−2), Σ(x−1)² = 2.
	perX, err := slope([]float64{0, 1, 2}, []float64{2, 1, 6})
	if math.Abs(perX-2) > 1e-12 || math.Abs(err-math.Sqrt(3)) > 1e-12 {
		t.Errorf("slope %g ± %g, want 2 ± √3", perX, err)
	}
	if _, err := slope([]float64{0, 1}, []float64{0, 1}); !math.IsNaN(err) {
		t.Errorf("two points have no error, not %g", err)
	}
}
