package polarity_test

import (
	"fmt"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/response"
)

// scenario is one simulated measurement and its truth.
type scenario struct {
	Box                   programme.Box
	Kind                  string
	DirectDB, RT60, SNRDB float64
	Sign                  int
	Spectra               *response.Spectra
}

// simulate measures a random box in a random room: seed decides all of it.
func simulate(t testing.TB, seed uint64, box programme.Box, seconds float64) scenario {
	t.Helper()
	c := simulateWith(t, seed, box.Response, seconds)
	c.Box = box
	return c
}

// simulateWith is simulate with any transfer function for a box.
func simulateWith(t testing.TB, seed uint64, box func(hz float64) complex128, seconds float64) scenario {
	t.Helper()
	const rate = 48000
	r := programme.New(seed)
	c := scenario{Sign: 1 - 2*r.IntN(2), DirectDB: -3 + 12*r.Float64(), RT60: 0.3 + 1.5*r.Float64(), SNRDB: 10 + 30*r.Float64()}
	n := int(seconds * rate)
	var x []float64
	switch seed % 4 {
	case 0:
		c.Kind, x = "pink", programme.Pink(r, rate, n)
	case 1:
		c.Kind, x = "music", programme.Music(r, rate, n)
	case 2:
		c.Kind, x = "speech", programme.Speech(r, rate, n)
	case 3:
		c.Kind, x = "white", programme.White(r, n)
	}
	delay := 0.003 + 0.06*r.Float64()
	y := programme.Convolve(x, programme.Room(r, rate, delay, c.RT60, c.DirectDB))
	y = programme.Filter(y, rate, func(f float64) complex128 { return complex(float64(c.Sign), 0) * box(f) })
	programme.AddPinkNoise(r, rate, y, c.SNRDB)
	c.Spectra = measure(t, x, y, rate)
	return c
}

func measure(t testing.TB, x, y []float64, rate float64) *response.Spectra {
	t.Helper()
	s, _ := measureAll(t, x, y, rate)
	return s
}

// measureAll is what is heard of x in y: spectra at the strongest arrival, and all arrivals.
func measureAll(t testing.TB, x, y []float64, rate float64) (*response.Spectra, []arrival.Arrival) {
	t.Helper()
	f, err := arrival.NewFinder(arrival.Config{SampleRateHz: rate, MaxDelayS: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	f.Feed(x, y)
	list, _ := f.Find(nil)
	delay := 0.0
	for i, a := range list {
		if i == 0 || a.LevelDB == 0 {
			delay = a.DelayMs / 1000
		}
	}
	e, err := response.NewEstimator(response.Config{SampleRateHz: rate, Averaging: response.Averaging{Mode: response.Infinite}})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.SetDelay(0, delay); err != nil {
		t.Fatal(err)
	}
	e.Feed(x, [][]float64{y})
	s := new(response.Spectra)
	e.Spectra(0, s)
	return s, list
}

func (c scenario) String() string {
	return fmt.Sprintf("%s, direct %+.1f dB, %.1f s, noise %.0f dB, %+v", c.Kind, c.DirectDB, c.RT60, c.SNRDB, c.Box)
}
