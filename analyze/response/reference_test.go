package response

import (
	"bufio"
	"math"
	"math/cmplx"
	"os"
	"strconv"
	"strings"
	"testing"
)

// table reads a CSV file of testdata into a map for each row; lines that begin
// with # are comments.
func table(t *testing.T, path string) []map[string]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/" + path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var head []string
	var rows []map[string]float64
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "#") {
			continue
		}
		cells := strings.Split(lines.Text(), ",")
		if head == nil {
			head = cells
			continue
		}
		row := map[string]float64{}
		for i, c := range cells {
			if v, err := strconv.ParseFloat(c, 64); err == nil {
				row[head[i]] = v
			}
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s: no rows", path)
	}
	return rows
}

// congruential is the noise of testdata/scripts/welch_csd.py.
func congruential(n int, state uint32) []float64 {
	x := make([]float64, n)
	for i := range x {
		state = 1664525*state + 1013904223
		x[i] = float64(state)/(1<<31) - 1
	}
	return x
}

// scipyChannels are the two channels of testdata/scripts/welch_csd.py.
func scipyChannels() (x, y []float64) {
	const n = 20000
	x, z := congruential(n, 1), congruential(n, 2)
	y = make([]float64, n)
	for i := range x {
		x[i] += 0.25
		y[i] = 0.01*z[i] - 0.125
	}
	for _, tap := range []struct {
		lag  int
		gain float64
	}{{3, 0.5}, {4, -0.25}, {40, 0.125}} {
		for i := tap.lag; i < n; i++ {
			y[i] += tap.gain * x[i-tap.lag]
		}
	}
	return x, y
}

// A fixed window equals scipy.signal.welch and csd to 1e-9 of each value,
// however the samples come and however many microphones share the pass.
func TestFixedWindowEqualsSciPy(t *testing.T) {
	const tolerance = 1e-9
	x, y := scipyChannels()
	type setting struct{ rate, window, overlap float64 }
	made := map[setting]*Spectra{}
	worst := 0.0
	for _, row := range table(t, "welch_csd.csv") {
		key := setting{row["rate_hz"], row["window"], row["noverlap"]}
		s := made[key]
		if s == nil {
			overlap := key.overlap / key.window
			if overlap == 0 {
				overlap = NoOverlap
			}
			e, err := NewEstimator(Config{
				SampleRateHz: key.rate, Window: int(key.window), Overlap: overlap, Microphones: 3,
				Averaging: Averaging{Mode: Infinite}, EverySegment: true,
			})
			if err != nil {
				t.Fatal(err)
			}
			for from, n := 0, 1; from < len(x); from, n = from+n, n*3%1009+1 {
				to := min(from+n, len(x))
				e.Feed(x[from:to], [][]float64{x[from:to], y[from:to], y[from:to]})
			}
			s = new(Spectra)
			e.Spectra(2, s)
			made[key] = s
		}
		k := int(row["bin"])
		if f := row["bin"] * key.rate / key.window; s.FrequencyHz[k] != f {
			t.Errorf("%v: bin %d lies at %v Hz, want %v Hz", key, k, s.FrequencyHz[k], f)
		}
		gxy := complex(row["gxy_re"], row["gxy_im"])
		for what, e := range map[string]float64{
			"Gxx":       math.Abs(s.Gxx[k]-row["gxx"]) / row["gxx"],
			"Gyy":       math.Abs(s.Gyy[k]-row["gyy"]) / row["gyy"],
			"Gxy":       cmplx.Abs(s.Gxy[k]-gxy) / cmplx.Abs(gxy),
			"coherence": math.Abs(s.coherence(k)-row["coherence"]) / row["coherence"],
		} {
			worst = max(worst, e)
			if !(e <= tolerance) {
				t.Errorf("%v bin %d: %s off by %.2g", key, k, what, e)
			}
		}
	}
	claim(t, "fixed window equals scipy, relative", "1e-9", "%.1e", worst, "scipy.signal.welch/csd 1.10.1")
}
