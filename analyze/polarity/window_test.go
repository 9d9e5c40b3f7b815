package polarity_test

import (
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// Whatever the window, the rate and the length of the recording.
func TestAnyWindow(t *testing.T) {
	low := programme.Box{LowHz: 35, LowOrder: 4, LowQ: 0.7, HighHz: 120}
	wide := programme.Box{LowHz: 80, LowOrder: 2, LowQ: 0.7, HighHz: 16000}
	for _, rate := range []float64{44100, 96000} {
		for _, seconds := range []float64{2, 7} {
			for name, h := range map[string]func(float64) complex128{
				"wire": func(float64) complex128 { return 1 }, "box": wide.Response, "subwoofer": low.Response,
			} {
				r := programme.New(3)
				x := programme.Pink(r, rate, int(seconds*rate))
				y := programme.Filter(x, rate, func(f float64) complex128 { return -h(f) })
				y = programme.AddPinkNoise(r, rate, programme.Delay(y, rate, 0.01), 30)
				for _, window := range []int{0, 4096, 16384, 65536} {
					e, err := response.NewEstimator(response.Config{SampleRateHz: rate, Window: window, Averaging: response.Averaging{Mode: response.Infinite}})
					if err != nil {
						t.Fatal(err)
					}
					if err := e.SetDelay(0, 0.01); err != nil {
						t.Fatal(err)
					}
					e.Feed(x, [][]float64{y})
					s := new(response.Spectra)
					e.Spectra(0, s)
					v := polarity.Judge(s)
					if v.Sign == 1 || v.Sign == 0 && name != "subwoofer" && float64(window) < seconds*rate/4 {
						t.Errorf("%g Hz, window %d, %g s, %s: %+v", rate, window, seconds, name, v)
					}
				}
			}
		}
	}
}
