package main

import (
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// wav64 is a stereo WAV file of 64-bit floats, so that nothing is rounded.
func wav64(rateHz int, x, y []float64) []byte {
	le := binary.LittleEndian
	data := len(x) * 16
	b := append([]byte("RIFF"), le.AppendUint32(nil, uint32(36+data))...)
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, 3) // IEEE float
	b = le.AppendUint16(b, 2)
	b = le.AppendUint32(b, uint32(rateHz))
	b = le.AppendUint32(b, uint32(rateHz*16))
	b = le.AppendUint16(b, 16)
	b = le.AppendUint16(b, 64)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(data))
	for i := range x {
		b = le.AppendUint64(b, math.Float64bits(x[i]))
		b = le.AppendUint64(b, math.Float64bits(y[i]))
	}
	return b
}

// scipyChannels are the channels that testdata/scripts/welch_csd.py defines.
func scipyChannels() (x, y []float64) {
	const n = 20000
	uniform := func(state uint32) []float64 { // Numerical Recipes, 2nd ed., 7.1
		u := make([]float64, n)
		for i := range u {
			state = 1664525*state + 1013904223
			u[i] = float64(state)/(1<<31) - 1
		}
		return u
	}
	x, y = uniform(1), uniform(2)
	for i := range x {
		x[i] += 0.25
		y[i] = 0.01*y[i] - 0.125
	}
	for _, echo := range []struct {
		lag  int
		gain float64
	}{{3, 0.5}, {4, -0.25}, {40, 0.125}} {
		for i := echo.lag; i < n; i++ {
			y[i] += echo.gain * x[i-echo.lag]
		}
	}
	return x, y
}

// TestResponseEqualsSciPy: from a WAV file to JSON, a fixed window without
// compensation is scipy.signal.welch and csd (SciPy 1.10.1) to 1e-9 of |H|.
func TestResponseEqualsSciPy(t *testing.T) {
	const tolerance = 1e-9
	f, err := os.Open(filepath.Join("..", "..", "testdata", "welch_csd.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	type setting struct{ rateHz, window, shared int }
	type bin struct{ gxx, gyy, re, im, coherence float64 }
	want := map[setting][]bin{}
	for _, row := range rows[1:] {
		var v [9]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		s := setting{int(v[0]), int(v[1]), int(v[2])}
		if len(want[s]) != int(v[3]) {
			t.Fatalf("bins of %v are out of order", s)
		}
		want[s] = append(want[s], bin{v[4], v[5], v[6], v[7], v[8]})
	}
	if len(want) != 6 {
		t.Fatalf("%d settings, want 6", len(want))
	}
	x, y := scipyChannels()
	for s, bins := range want {
		t.Run(fmt.Sprint(s), func(t *testing.T) {
			inFolder(t, map[string][]byte{"two.wav": wav64(s.rateHz, x, y)})
			m := list(t, decode(t, must(t, "response", "two.wav", "--json", "--delay", "0",
				"--window", fmt.Sprint(s.window), "--overlap", fmt.Sprint(float64(s.shared)/float64(s.window)))), "microphones")[0]
			db, deg, coherence := curve(t, m, "magnitude_db"), curve(t, m, "phase_deg"), curve(t, m, "coherence")
			if len(db) != len(bins) {
				t.Fatalf("%d bins, want %d", len(db), len(bins))
			}
			for k, b := range bins {
				h := complex(b.re, b.im) / complex(b.gxx, 0)
				got := cmplx.Rect(math.Pow(10, db[k]/20), deg[k]*math.Pi/180)
				if e := cmplx.Abs(got-h) / cmplx.Abs(h); !(e <= tolerance) {
					t.Fatalf("bin %d: H is %v, want %v: %.1e off", k, got, h, e)
				}
				if e := math.Abs(coherence[k]-b.coherence) / b.coherence; !(e <= tolerance) {
					t.Fatalf("bin %d: coherence is %v, want %v", k, coherence[k], b.coherence)
				}
			}
		})
	}
}
