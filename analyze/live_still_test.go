package analyze

import (
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/stationarity"
)

// A clock that drifts is known after half a minute of listening; a path at rest is
// known to be.
func TestLiveKnowsWhetherThePathStandsStill(t *testing.T) {
	const rateHz, seconds = 48000, 27
	r := programme.New(4)
	x := programme.Pink(r, rateHz, rateHz*seconds)
	rest := programme.AddPinkNoise(r, rateHz, programme.Convolve(x, programme.Room(r, rateHz, 0.006, 0.4, 3)), 25)
	drift := programme.Drift(rest, rateHz, 5)
	l, err := NewLive(LiveConfig{SampleRateHz: rateHz, Channels: 3, Reference: 0, Microphones: []int{1, 2}})
	if err != nil {
		t.Fatal(err)
	}
	const frames = rateHz / 20
	block := make([]float32, 3*frames)
	var f *Frame
	for from := 0; from+frames <= len(x); from += frames {
		for i := range frames {
			block[3*i], block[3*i+1], block[3*i+2] = float32(0.1*x[from+i]), float32(0.1*rest[from+i]), float32(0.1*drift[from+i])
		}
		l.Feed(block)
		f = l.Frame()
	}
	if m := f.Microphones[0].Movement; m.Kind != stationarity.Still {
		t.Errorf("at rest: %+v", m)
	}
	if m := f.Microphones[1].Movement; m.Kind != stationarity.Drifts || m.PPM < 4.5 || m.PPM > 5.5 {
		t.Errorf("5 ppm: %+v", m)
	}
}
