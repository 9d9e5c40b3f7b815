package survey

import (
	"math"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// playing is a response of 1 from low to high Hz, and nothing but noise elsewhere.
func playing(low, high float64) *response.Spectra {
	s := &response.Spectra{SampleRateHz: testRate, AveragedS: 8}
	for f := 15.0; f < 22000; f *= math.Exp2(1. / 48) {
		h := complex(0.01, 0)
		if f >= low && f <= high {
			h = 1
		}
		s.FrequencyHz = append(s.FrequencyHz, f)
		s.Gxx, s.Gxy = append(s.Gxx, 1), append(s.Gxy, h)
		s.Gyy = append(s.Gyy, real(h)*real(h)+0.01)
		s.EffectiveAverages = append(s.EffectiveAverages, 12)
	}
	return s
}

// A band set by hand counts as far as it is played; set where nothing plays it
// gives way to what does.
func TestGoalIsWhatPlays(t *testing.T) {
	for _, test := range []struct {
		asked     wire.Goal
		low, high float64
	}{
		{wire.Goal{WithinDB: 1}, 30, 120},
		{wire.Goal{WithinDB: 1, LowHz: 100, HighHz: 8000}, 100, 120},
		{wire.Goal{WithinDB: 1, LowHz: 40, HighHz: 80}, 40, 80},
		{wire.Goal{WithinDB: 1, LowHz: 1000, HighHz: 8000}, 30, 120},
	} {
		var a aim
		a.choose(playing(30, 120), test.asked)
		if math.Abs(math.Log2(a.lowHz/test.low)) > 1./4 || math.Abs(math.Log2(a.highHz/test.high)) > 1./4 {
			t.Errorf("asked for %g…%g Hz of 30…120: %.0f…%.0f Hz", test.asked.LowHz, test.asked.HighHz, a.lowHz, a.highHz)
		}
	}
}

func TestWhatIsMissedIsSaid(t *testing.T) {
	for want, o := range map[string]response.Outlook{
		"±1 dB cannot be reached below 45 Hz: room noise":                 {LowHz: 45, HighHz: 120},
		"±1 dB cannot be reached above 8 kHz: room noise":                 {LowHz: 30, HighHz: 8000},
		"±1 dB cannot be reached below 45 Hz nor above 95 Hz: room noise": {LowHz: 45, HighHz: 95},
		"±1 dB cannot be reached anywhere in what it plays: room noise":   {},
		"": {LowHz: 31, HighHz: 118},
	} {
		a := aim{lowHz: 30, highHz: 120, outlook: o}
		if strings.Contains(want, "kHz") {
			a.highHz = 16000
		}
		if got := a.missed(1); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for s, want := range map[float64]string{0.2: "about 1 s to go", 8.5: "about 9 s to go", 17: "about 20 s to go", 60: "about 60 s to go"} {
		if got := about(s); got != want {
			t.Errorf("%g s: %q, want %q", s, got, want)
		}
	}
}
