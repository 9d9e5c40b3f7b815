package analyze

import (
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/setting"
	"plumbline/analyze/stationarity"
)

// A clock that drifts is known after 24 s of listening.
func TestLiveKnowsThatTheClocksDrift(t *testing.T) {
	const rateHz, seconds = 48000, 27
	r := programme.New(4)
	x := programme.Pink(r, rateHz, rateHz*seconds)
	y := programme.AddPinkNoise(r, rateHz, programme.Convolve(x, programme.Room(r, rateHz, 0.006, 0.4, 3)), 25)
	y = programme.Drift(y, rateHz, 5)
	l, err := NewLive(LiveConfig{SampleRateHz: rateHz, Channels: 2, Settings: setting.Default(1, []int{2})})
	if err != nil {
		t.Fatal(err)
	}
	const frames = rateHz / 20
	block := make([]float32, 2*frames)
	var f *Frame
	for from := 0; from+frames <= len(x); from += frames {
		for i := range frames {
			block[2*i], block[2*i+1] = float32(0.1*x[from+i]), float32(0.1*y[from+i])
		}
		l.Feed(block)
		f = l.Frame()
	}
	if m := f.Microphones[0].Movement; m.Kind != stationarity.Drifts || m.PPM < 4.5 || m.PPM > 5.5 {
		t.Errorf("5 ppm: %+v", m)
	}
}
