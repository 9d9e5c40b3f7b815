package crosstalk

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

func judge(x, y []float64) Leak {
	t := New(48000)
	for at := 0; at+t.n <= len(x); at += t.n / 2 {
		t.Add(x[at:at+t.n], y[at:at+t.n])
	}
	return t.Judge()
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// plus is y and gain times x.
func plus(y, x []float64, gain float64) []float64 {
	out := make([]float64, len(y))
	for i := range y {
		out[i] = y[i] + gain*x[i]
	}
	return out
}

// sub is a take of a subwoofer: pink noise, a fourth-order low-pass at 100 Hz, 20 ms
// of air, noise 60 dB down.
func sub(seed uint64) (x, y []float64) {
	r := programme.New(seed)
	x = programme.Pink(r, 48000, 10*48000)
	box := programme.Box{LowHz: 30, LowOrder: 4, LowQ: 0.7, HighHz: 100}
	y = programme.Filter(x, 48000, func(hz float64) complex128 { return box.Response(hz) * box.Response(hz) })
	return x, programme.AddNoise(r, programme.Delay(y, 48000, 0.02), 60)
}

// What leaks is told with its gain, and its level within 1 dB (a pink noise has 0.6 dB
// under 20 Hz, where nobody listens), into the microphone and into the
// reference, by construction.
func TestLeaks(t *testing.T) {
	x, y := sub(1)
	for _, db := range []float64{-30, -50} {
		gain := math.Pow(10, db/20) * rms(y) / rms(x)
		l := judge(x, plus(y, x, gain))
		if l.Into != Microphone || math.Abs(l.Gain/gain-1) > 0.05 || math.Abs(l.BelowDB+db) > 1 {
			t.Errorf("%.0f dB: %+v, want a gain of %.2g", db, l, gain)
		}
	}
	// A programme without highs, so that the reference has nothing there but the bleed.
	r := programme.New(2)
	x = programme.Filter(programme.Pink(r, 48000, 10*48000), 48000, func(hz float64) complex128 {
		return complex(1/math.Sqrt(1+math.Pow(hz/4000, 16)), 0)
	})
	y = programme.AddNoise(r, programme.Delay(x, 48000, 0.01), 30)
	if l := judge(plus(x, y, 0.01), y); l.Into != Reference || math.Abs(l.Gain/0.01-1) > 0.05 || math.Abs(l.BelowDB-40) > 0.5 {
		t.Errorf("bleed: %+v, want a gain of 0.01", l)
	}
	if l := judge(x, y); l.Into != None {
		t.Errorf("none, but %+v", l)
	}
}

// A measurement of electronics is a copy at 0 ms and no leak.
func TestDirectConnectionIsNoLeak(t *testing.T) {
	r := programme.New(5)
	x := programme.Pink(r, 48000, 5*48000)
	if l := judge(x, programme.AddNoise(r, append([]float64(nil), x...), 50)); l.Into != None {
		t.Errorf("%+v", l)
	}
}

// Clean takes of any programme in any room leak nothing. Own simulation.
func TestCleanTakesDoNotLeak(t *testing.T) {
	n, from := 6, 0
	if truth.Thorough {
		n, from = 500, 10000
	}
	leaks := make([]Leak, n)
	truth.Trials(n, func(i int) {
		take := programme.RandomTake(uint64(from+i), 48000, 12)
		leaks[i] = judge(take.X, take.Y)
	})
	marked := 0
	for i, l := range leaks {
		if l.Into != None {
			marked++
			t.Logf("take %d: %+v", from+i, l)
		}
	}
	if marked > n/500 {
		t.Errorf("%d of %d clean takes leak", marked, n)
	}
	if truth.Thorough {
		truth.Claim(t, "clean takes said to have crosstalk: at most 1 of 500", "own simulation",
			fmt.Sprintf("%d of %d", marked, n), truth.AtMost(float64(marked), "1"))
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	test := New(48000)
	x, y := make([]float64, test.Window()), make([]float64, test.Window())
	x[100], y[300] = 1, 1
	if n := testing.AllocsPerRun(5, func() { test.Add(x, y); test.Judge() }); n > 0 {
		t.Errorf("%g allocations", n)
	}
}
